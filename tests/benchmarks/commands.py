"""Whole commands against bare processes that do the least of the same kind.

Run ``python -m tests.benchmarks.commands [--events N] [--ingests N] [--repeats R] [--folder DIR]``.

- ``--help`` against a bare interpreter: at most 8 times.
- `measures` by month and care area over the built tables against a bare count of infusions by month, both
  whole processes: at most 5 times; asked first, and asked again, when the answer was kept.
- One file of 2,000 records into a store of 200 ingests against importing the engine and the store's library:
  at most 10 times; and the 201st ingest against the 2nd: at most 1.5 times.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from dripledger.events import ingest
from dripledger.measures.asked import FOLDER
from dripledger.site import Site, load_site
from dripledger.store import Ledger
from tests.benchmarks.copied import large_site
from tests.benchmarks.figures import note, verdict
from tests.benchmarks.ingest import MAPPING, SITE, generate

_RECORDS = 2_000


def taken(command: Sequence[str], repeats: int, before: Callable[[], object] = lambda: None) -> list[float]:
    """Return the seconds of each run of a command, as a process of its own, that has to end well."""
    found = []
    for _ in range(repeats):
        before()
        begun = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        found.append(time.perf_counter() - begun)
    return found


def _say(name: str, ours: list[float], unit: list[float], bound: float) -> None:
    one, other = statistics.median(ours), statistics.median(unit)
    spread = f"{min(ours):.2f}-{max(ours):.2f}"
    note(f"{name} / the bare process", [seconds / other for seconds in ours], most=bound)
    met = verdict(one / other, bound)
    print(f"{name:<44}{one:>8.2f} s ({spread}){other:>8.2f} s{one / other:>8.2f} x  bound {bound:g}: {met}")


def _dripledger(*words: str) -> list[str]:
    return [sys.executable, "-m", "dripledger.cli", *words]


def _bare(code: str) -> list[str]:
    return [sys.executable, "-c", code]


def _ask(site: Site, repeats: int) -> None:
    files = Ledger.open(site.store).snapshot().files("infusions")
    count = (
        "import duckdb; print(duckdb.connect().execute('select month, count(*) from read_parquet(?, "
        f"hive_partitioning = true) group by month', [{[str(f) for f in files]!r}]).fetchall())"
    )
    command = _dripledger("measures", "--site", str(site.root), "--format", "csv")
    unit = taken(_bare(count), repeats)

    def forget() -> None:
        shutil.rmtree(site.reports / FOLDER, ignore_errors=True)

    _say("measures by month and care area, asked first", taken(command, repeats, forget), unit, 5)
    _say("the same, asked again of the same version", taken(command, repeats), unit, 5)


def _small(folder: Path, ingests: int, repeats: int) -> None:
    site = folder / "small"
    (site / "sources").mkdir(parents=True)
    (site / "inbox").mkdir()
    (site / "site.toml").write_text(SITE, encoding="utf-8")
    (site / "sources" / "pumps.toml").write_text(MAPPING, encoding="utf-8")
    whole = folder / "records.csv"
    generate(whole, _RECORDS * (ingests + 2 * repeats))
    lines = whole.read_text(encoding="utf-8").splitlines(keepends=True)
    number = iter(range(10**6))

    def next_file() -> Path:
        at = next(number)
        path = site / "inbox" / f"part{at:04}.csv"
        own = lines[1 + at * _RECORDS : 1 + (at + 1) * _RECORDS]
        path.write_text(lines[0] + "".join(own), encoding="utf-8")
        return path

    def told() -> float:
        path = next_file()
        begun = time.perf_counter()
        result = ingest(load_site(site), [path])
        if not result.balanced or sum(f.events for f in result.files) == 0:
            raise SystemExit(f"{path} was not read")
        return time.perf_counter() - begun

    seconds = [told() for _ in range(ingests)]
    command = _dripledger("ingest", "--site", str(site))
    _say(
        f"{_RECORDS} records into a store of {ingests} ingests",
        taken(command, repeats, next_file),
        taken(_bare("import duckdb, deltalake"), repeats),
        10,
    )
    # the first one makes the store; medians of ten, for one alone is chance
    _say("the last ten ingests against the second to eleventh", seconds[-10:], seconds[1:11], 1.5)


def main() -> None:
    """Measure, and print a line a figure."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--events", type=int, default=10_000_000)
    parser.add_argument("--ingests", type=int, default=200)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument(
        "--folder", type=Path, help="keep the large store here, and use one that stands there"
    )
    options = parser.parse_args()
    folder = options.folder or Path(tempfile.mkdtemp(prefix="dripledger-commands-"))
    try:
        print(f"{'what':<44}{'median (range)':>20}{'bare':>10}{'ratio':>10}")
        _say(
            "--help", taken(_dripledger("--help"), options.repeats), taken(_bare("pass"), options.repeats), 8
        )
        shutil.rmtree(folder / "small", ignore_errors=True)
        if options.ingests:
            _small(folder, options.ingests, options.repeats)
        if options.events:
            site, events = large_site(folder, options.events)
            print(f"{events} events")
            _ask(site, options.repeats)
    finally:
        if options.folder is None:
            shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
