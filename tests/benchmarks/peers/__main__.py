"""The same log and the same question: ours, pandas and polars, as processes; answers have to be equal.

Run ``python -m tests.benchmarks.peers [--records N] [--repeats R]``. The question is how much of the starts
and hours ran inside the library, by month and care area. The scripts check nothing, keep nothing and know of
no late file; ours ingests, rebuilds every infusion, attempt and alarm, and answers from its store. The
answer alone is the question asked again of the store that stands.
"""

from __future__ import annotations

import argparse
import csv
import importlib.util
import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.figures import note
from tests.benchmarks.peers.log import MAPPING, SITE, write

_NAMES = ("starts_inside", "starts", "hours_inside", "hours")
Answer = dict[tuple[str, str], tuple[float, float, float, float]]
_PARTS = {"library_use_starts": ("starts_inside", "starts"), "library_use_hours": ("hours_inside", "hours")}


def _seconds(command: list[str]) -> tuple[float, str]:
    begun = time.perf_counter()
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return time.perf_counter() - begun, done.stdout


def _of_peer(path: Path) -> Answer:
    with path.open(encoding="utf-8", newline="") as file:
        return {
            (row["month"], row["area"]): tuple(float(row[name]) for name in _NAMES)  # type: ignore[misc]
            for row in csv.DictReader(file)
        }


def _of_ours(text: str) -> Answer:
    found: dict[tuple[str, str], dict[str, float]] = {}
    for row in json.loads(text):
        if row["measure"] in _PARTS and row["care_area"]:
            own = found.setdefault((row["month"], row["care_area"]), {})
            own.update(zip(_PARTS[row["measure"]], (row["numerator"], row["denominator"]), strict=True))
    return {key: tuple(own[name] for name in _NAMES) for key, own in found.items()}  # type: ignore[misc]


def _same(one: Answer, other: Answer) -> bool:
    return one.keys() == other.keys() and all(
        abs(a - b) <= 1e-9 * max(1.0, abs(b))
        for key in one
        for a, b in zip(one[key], other[key], strict=True)
    )


def main() -> None:
    """Measure, compare the answers, and print a line each."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--records", type=int, default=1_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="dripledger-peers-") as name:
        folder = Path(name)
        log = folder / "log.csv"
        write(log, options.records)
        ours = [sys.executable, "-m", "dripledger.cli"]
        answers: dict[str, Answer] = {}
        taken: dict[str, list[float]] = {}
        for _ in range(options.repeats):
            for peer in ("pandas", "polars"):
                if importlib.util.find_spec(peer) is None:
                    continue
                out = folder / f"{peer}.csv"
                command = [sys.executable, "-m", f"tests.benchmarks.peers.with_{peer}", str(log), str(out)]
                taken.setdefault(peer, []).append(_seconds(command)[0])
                answers[peer] = _of_peer(out)
            site = folder / "site"
            shutil.rmtree(site, ignore_errors=True)
            (site / "sources").mkdir(parents=True)
            (site / "site.toml").write_text(SITE, encoding="utf-8")
            (site / "sources" / "log.toml").write_text(MAPPING, encoding="utf-8")
            read, _ = _seconds([*ours, "ingest", str(log), "--site", str(site)])
            asked, text = _seconds([*ours, "measures", "--site", str(site), "--json"])
            taken.setdefault("from file to answer", []).append(read + asked)
            taken.setdefault("the answer alone", []).append(asked)
            answers["ours"] = _of_ours(text)
    unit = statistics.median(taken["pandas"])
    for what, seconds in taken.items():
        median = statistics.median(seconds)
        if what != "pandas":
            note(f"{what} / pandas", [one / unit for one in seconds])
        print(f"{what:<22}{median:>8.2f} s{median / unit:>8.2f} x pandas")
    wrong = [peer for peer, answer in answers.items() if not _same(answer, answers["ours"])]
    if wrong:
        raise SystemExit(f"the answers of {', '.join(wrong)} differ from ours")
    if len(answers) < 3:
        print("polars is not installed: its script was not run")
    print(f"all answers are equal: {len(answers['ours'])} months and care areas")


if __name__ == "__main__":
    main()
