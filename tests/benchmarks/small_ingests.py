"""Whether many small ingests stay quick: ``python -m tests.benchmarks.small_ingests [COUNT]``.

Reads COUNT (200) small logs, each of a pump and an hour of its own, one ingest each, and prints seconds of
processor by the ingest's number: the 201st at most 1.5 times the second is what is wanted. Every 25th puts
small files together, and is told apart. Seconds of the clock hang on who else is at work on the machine.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

from dripledger.events import ingest
from dripledger.site import load_site
from dripledger.store import Ledger
from tests.event_samples import HEADER, drop, make_site

_AROUND = 5


def main(count: int = 200) -> None:
    """Measure, and print a line every ten ingests and the ratio at the end."""
    with tempfile.TemporaryDirectory(prefix="dripledger-bench-") as folder:
        site = make_site(Path(folder))
        took: list[float] = []
        for number in range(1, count + 2):
            day, hour = 1 + number // 24 % 28, number % 24
            lines = "".join(
                f"P{number % 20},2026-10-{day:02d} {hour:02d}:{minute:02d}:00,{number * 100 + minute},{kind},"
                "ICU,Heparin,5,70\n"
                for minute, kind in enumerate(("START", "RATE", "RATE", "STOP"))
            )
            drop(site, f"wards{number:04d}.csv", HEADER + lines)
            began = time.process_time()
            result = ingest(load_site(site.root), [site.inbox / f"wards{number:04d}.csv"])
            took.append(time.process_time() - began)
            assert result.total("events") == 4, result
            if number % 25 == 0 or number % 10 == 1:
                word = ", small files put together" if number % 25 == 0 else ""
                print(f"ingest {number}: {took[-1]:.2f} s{word}", flush=True)
        files = len(Ledger.open(site.store).snapshot().files("events"))
    # the first makes the tables; a median of some leaves out what the machine did besides
    plain = [seconds for number, seconds in enumerate(took, 1) if number % 25]
    early, late = statistics.median(plain[1 : 1 + _AROUND]), statistics.median(plain[-_AROUND:])
    print(f"around the 2nd {early:.2f} s, around ingest {count + 1} {late:.2f} s: {late / early:.2f} times")
    print(f"{files} files of events at the end")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
