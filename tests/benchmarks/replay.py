"""How long a replay takes against rebuilding the infusions of the same events, and how much memory.

Run ``python -m tests.benchmarks.replay [--events N] [--folder DIR]``. It makes a small invented hospital,
copies its events to N under other pump names, rebuilds the infusions (all of `infusions.build`), and replays
the newest library against the result, in one process with two threads. The bound is 2: a replay takes at most
twice as long as the rebuild.
"""

from __future__ import annotations

import argparse
import contextlib
import resource
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from dripledger.engine import connect
from dripledger.infusions import build, make_settings
from dripledger.library.relations import TABLES, Span, prepare
from dripledger.library.replay import replay
from dripledger.library.versions import libraries_on_file
from dripledger.site import Site
from dripledger.store import Ledger
from tests.benchmarks.copied import hospital
from tests.benchmarks.figures import note, verdict

#: Most that a replay may take, as a multiple of the rebuild.
BOUND = 2.0
_BUILT = ("segments", "infusions", "programmings", "attempts", "alarms")
#: Columns that tell pumps and events apart.
_KEYS = ("event_id", "pump_id")


def _copy(con: duckdb.DuckDBPyConnection, site: Site, events: int) -> int:
    """Make the tables that the rebuild reads, with the events of the hospital copied to `events`."""
    Ledger.open(site.store).snapshot().attach(
        con, ("events", "quarantined", "ignored", *TABLES), prefix="of_"
    )
    (own,) = con.execute("select count(*) from of_events").fetchall()
    copies = max(1, round(events / own[0]))
    renamed = ", ".join(f"{key} || '/' || n.n as {key}" for key in _KEYS)
    con.execute(
        f"create temp table events as select e.* replace ({renamed}) from of_events e"
        f" cross join range({copies}) as n(n) order by n.n, e.pump_id, e.occurred_at, e.event_id"
    )
    for name in ("quarantined", "ignored", "ingests", "libraries"):
        con.execute(f"create temp table {name} as select * from of_{name}")
    return own[0] * copies


def measure(events: int, folder: Path) -> dict[str, float]:
    """Return events, seconds of rebuild and replay, their ratio, and the peak memory in GiB."""
    site = hospital(folder)
    spill = folder / "spill"
    with contextlib.closing(connect(spill, memory_limit_bytes=6 * 1024**3, threads=2)) as con:
        count = _copy(con, site, events)
        begun = time.perf_counter()
        make_settings(con, site.settings)
        build(con)
        rebuilt = time.perf_counter()
        span = Span(datetime(2020, 1, 1, tzinfo=UTC), datetime(2030, 1, 1, tzinfo=UTC), "all")
        prepare(con, site, None, span)
        found = replay(con, libraries_on_file(site)[-1].rows)
        replayed = time.perf_counter()
    build_s, replay_s = rebuilt - begun, replayed - rebuilt
    return {
        "events": count,
        "recorded_values": found.compared.num_rows,
        "rebuild_s": build_s,
        "replay_s": replay_s,
        "ratio": replay_s / build_s,
        "peak_gib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2,
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=10_000_000)
    parser.add_argument("--folder", type=Path)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="dripledger-") as made:
        found = measure(args.events, args.folder or Path(made))
    for name, value in found.items():
        print(f"{name}: {value:.3g}" if isinstance(value, float) else f"{name}: {value}")
    note(
        f"replay of a proposed library over {found['events']:,.0f} events / rebuilding the infusions",
        [found["ratio"]], most=BOUND, peak_mib=1024 * found["peak_gib"],
    )  # fmt: skip
    print(f"bound: ratio at most {BOUND:g}: {verdict(found['ratio'], BOUND)}")


if __name__ == "__main__":
    main()
