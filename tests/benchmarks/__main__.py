"""All benchmarks, one after another, and one page of what they found.

Run ``python -m tests.benchmarks [--quick] [--only WORD]``. Each runs in a process of its own and prints its
own figures; what it found becomes its section of ``tests/benchmarks/figures.md``, in place of what stood
there, unless `--quick` made the data small: a small run shows that all of it works, its figures say nothing.
All of them take hours: run them one by one. A ratio counts only from a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Final

from tests.benchmarks.figures import FILE_SETTING, Figure, noted

#: Module, its words in full, its words when quick.
JOBS: Final = (
    ("ingest", "", "--records 20000 --repeats 1"),
    ("shapes", "--only json_lines", "--records 2000 --repeats 1 --only json_lines"),
    ("shapes", "--only xml", "--records 2000 --repeats 1 --only xml"),
    ("hl7", "", "--messages 500 --repeats 1"),
    ("history", "", "--months 3 --pumps 5 --records 200 --no-reports"),
    ("replay", "", "--events 50000"),
    ("trace", "--events 100000000", "--events 1000000 --repeats 1"),
    ("commands", "", "--events 100000 --ingests 12 --repeats 1"),
    ("report", "", ""),
    ("statistics", "", "--charts 100 --repeats 1"),
    ("peers", "", "--records 20000 --repeats 1"),
)
TABLE: Final = Path(__file__).with_name("figures.md")


def table(figures: list[Figure]) -> str:
    """Return the figures as a table in Markdown: median, range, bound, peak memory."""
    lines = [
        "| what | median | range | wanted | peak memory |",
        "|------|-------:|-------|--------|------------:|",
    ]
    for one in figures:
        middle = statistics.median(one.values)
        wanted, met = "", True
        if one.most is not None:
            wanted, met = f"at most {one.most:,g} {one.unit}", middle <= one.most
        if one.least is not None:
            wanted, met = f"at least {one.least:,g} {one.unit}", middle >= one.least
        spread = "" if len(one.values) < 2 else f"{_number(min(one.values))} to {_number(max(one.values))}"
        peak = "" if one.peak_mib is None else f"{one.peak_mib:,.0f} MiB"
        missed = "" if met else "; not met"
        lines.append(f"| {one.what} | {_number(middle)} {one.unit} | {spread} | {wanted}{missed} | {peak} |")
    return "\n".join(lines) + "\n"


def _number(value: float) -> str:
    return f"{value:,.0f}" if value >= 100 else f"{value:.2f}"


def machine() -> str:
    """Say what the figures were measured on."""
    packages = ", ".join(f"{name} {version(name)}" for name in ("duckdb", "pyarrow", "deltalake"))
    return f"{os.cpu_count()} cores, Python {platform.python_version()}, {packages}."


def sections(text: str) -> dict[str, str]:
    """Return the sections of the page by name."""
    _, *found = re.split(r"^## (.+)\n", text, flags=re.M)
    return {name: body.strip() for name, body in zip(found[::2], found[1::2], strict=True)}


def page(found: Mapping[str, str]) -> str:
    """Return the page of all sections, in the order of `JOBS`."""
    named = [_section(name, full) for name, full, _ in JOBS]
    told = "".join(f"\n## {name}\n\n{found[name]}\n" for name in named if name in found)
    return f"# What the benchmarks measured\n\nMade by `python -m tests.benchmarks`; never edited.\n{told}"


def _section(name: str, words: str) -> str:
    return f"{name} {words}".strip()


def main() -> None:
    """Run them, print each table, and end with 1 where one failed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="small data: see that all of it works")
    parser.add_argument("--only", default="", help="benchmarks whose name holds this word")
    options = parser.parse_args()
    failed = []
    with tempfile.TemporaryDirectory(prefix="dripledger-bench-") as folder:
        for place, (name, full, quick) in enumerate(JOBS):
            if options.only not in name:
                continue
            path = Path(folder) / f"{place}.jsonl"
            words = (quick if options.quick else full).split()
            print(f"\n== {name} {' '.join(words)}", flush=True)
            began = time.perf_counter()
            done = subprocess.run(
                [sys.executable, "-m", f"tests.benchmarks.{name}", *words],
                env={**os.environ, FILE_SETTING: str(path)},
                check=False,
            )
            print(f"-- {time.perf_counter() - began:.0f} s", flush=True)
            if done.returncode:
                failed.append(name)
                continue
            text = f"{machine()}\n\n{table(noted(path))}"
            print(f"\n{text}", end="", flush=True)
            if not options.quick:
                known = sections(TABLE.read_text(encoding="utf-8")) if TABLE.exists() else {}
                TABLE.write_text(page({**known, _section(name, full): text.strip()}), encoding="utf-8")
    if failed:
        raise SystemExit(f"failed: {', '.join(failed)}")


if __name__ == "__main__":
    main()
