"""All benchmarks, one after another, and one table of what they found.

Run ``python -m tests.benchmarks [--quick] [--only WORD]``. Each runs in a process of its own and prints its
own figures; the table at the end goes to ``tests/benchmarks/figures.md`` as well, unless `--quick` made the
data small: a small run shows that all of it works, its figures say nothing. A ratio counts only from a
machine that does nothing else.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
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


def main() -> None:
    """Run them, print the table, and end with 1 where one failed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="small data: see that all of it works")
    parser.add_argument("--only", default="", help="benchmarks whose name holds this word")
    options = parser.parse_args()
    failed = []
    with tempfile.TemporaryDirectory(prefix="dripledger-bench-") as folder:
        path = Path(folder) / "figures.jsonl"
        for name, full, quick in JOBS:
            if options.only not in name:
                continue
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
        figures = noted(path)
    text = f"{machine()}\n\n{table(figures)}"
    print(f"\n{text}", end="")
    if not options.quick and not options.only and not failed:
        TABLE.write_text(text, encoding="utf-8")
    if failed:
        raise SystemExit(f"failed: {', '.join(failed)}")


if __name__ == "__main__":
    main()
