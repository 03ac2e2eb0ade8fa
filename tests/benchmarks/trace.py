"""How long the timeline of 24 hours of one pump takes, as a ratio to reading one month's partition once.

Run ``python -m tests.benchmarks.trace [--events N] [--repeats R] [--folder DIR]``. It writes a store of
about N
invented events over twelve months straight into the ledger (in order of time across all pumps, which is
the worst
order for finding one pump), with the infusions and stretches that belong to them. The unit of the ratio is
the
engine's own read of every column of one month's events. The packet (figures, PDF, zip) stands apart.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb

from dripledger.engine import connect
from dripledger.incidents import Asked, trace
from dripledger.incidents.rendering import render_files
from dripledger.schema import TABLES
from dripledger.site import load_site
from dripledger.store import Ledger
from tests.benchmarks.figures import note

SITE = 'format = 1\nfacility = "Harbour Hill"\ntime_zone = "Europe/Lisbon"\n'
MONTHS = 12
#: One infusion is a start, six rate changes and a stop, ten minutes apart, and then ten minutes of nothing.
STEPS = 8
STEP_S = 600
CYCLE_S = STEPS * STEP_S + 600


def months() -> list[datetime]:
    """Return the first instant of each month, and of the month after."""
    return [datetime(2026 + n // 12, n % 12 + 1, 1, tzinfo=UTC) for n in range(MONTHS + 1)]


def padded(table: str, told: dict[str, str], source: str, order: str) -> str:
    """Return the SELECT of a table's declared columns; those that are not told are null."""
    columns = ", ".join(
        f'cast({told.get(c.name, "null")} as {c.type.duckdb}) as "{c.name}"' for c in TABLES[table].columns
    )
    return f"select {columns} from {source} order by {order}"


def write_store(root: Path, events: int) -> int:
    """Write the store; return how many events it holds."""
    span_s = (months()[-1] - months()[0]).total_seconds() / MONTHS
    per_pump = int(span_s // CYCLE_S) * STEPS * MONTHS
    pumps = max(1, round(events / per_pump))
    con: duckdb.DuckDBPyConnection = connect(root / "spill", threads=2)
    count = 0
    with Ledger.open_or_create(root / "store").write() as writer:
        for first, after in zip(months(), months()[1:], strict=False):
            month, cycles = f"{first:%Y-%m}", int((after - first).total_seconds() // CYCLE_S)
            con.execute(
                "create or replace temp view raw as select p, c, s, "
                f"timestamptz '{first.isoformat()}' + to_seconds(c * {CYCLE_S} + s * {STEP_S} + p % 60) "
                "as t, "
                f"md5(p || '/{month}/' || c) as infusion, "
                f"{(first - months()[0]).days} * 1000 + c * {STEPS} + s as n "
                f"from range({pumps}) as a(p), range({cycles}) as b(c), range({STEPS}) as d(s)"
            )
            writer.append(
                "events",
                con.sql(
                    padded("events", {
                        "event_id": "case when s = 0 then infusion else md5(infusion || s) end",
                        "kind": f"case when s = 0 then 'infusion_started' when s = {STEPS - 1} "
                        "then 'infusion_stopped' else 'rate_changed' end",
                        "facility": "'Harbour Hill'", "pump_id": "'P-' || lpad(p::varchar, 5, '0')",
                        "channel": "'A'",
                        "sequence": "n", "sequence_reliable": "true", "record_place": "0",
                        "values_digest": "n",
                        "source_file_sha256": f"'{month}'", "source_name": "'wards'", "source_record": "n",
                        "ingest_id": "'1'", "device_time": "t::timestamp", "occurred_at": "t",
                        "clock_offset_s": "0",
                        "time_quality": "'exact'", "time_resolution_s": "1", "care_area": "'ICU'",
                        "entry": "'morphine'", "library_use": "'limited'", "library_version": "'4.2'",
                        "rate_ml_h": f"case when s < {STEPS - 1} then 5 + s end",
                        "implausible": "[]::varchar[]",
                        "unmapped": "[]::varchar[]", "month": f"'{month}'",
                    }, "raw", "t, p")
                ).to_arrow_reader(100_000),
            )  # fmt: skip
            shared = {
                "facility": "'Harbour Hill'", "pump_id": "'P-' || lpad(p::varchar, 5, '0')", "channel": "'A'",
                "infusion_id": "infusion", "care_area": "'ICU'", "entry": "'morphine'",
                "library_use": "'limited'",
                "library_version": "'4.2'", "month": f"'{month}'", "started_at": "t",
            }  # fmt: skip
            writer.append(
                "segments",
                con.sql(
                    padded("segments", {
                        **shared, "ended_at": f"t + to_seconds({STEP_S})", "state": "'running'",
                        "rate_ml_h": "5 + s",
                        "volume_ml": f"(5 + s) * {STEP_S} / 3600.0",
                    }, f"raw where s < {STEPS - 1}", "t, p")
                ).to_arrow_reader(100_000),
            )  # fmt: skip
            writer.append(
                "infusions",
                con.sql(
                    padded("infusions", {
                        **shared, "ended_at": f"t + to_seconds({(STEPS - 1) * STEP_S})",
                        "start_kind": "'start'",
                        "end_kind": "'stopped'", "running_hours": "1", "volume_ml": "9.33",
                        "source_name": "'wards'",
                        "uncertain": "false", "false_start": "false",
                    }, "raw where s = 0", "t, p")
                ).to_arrow_reader(100_000),
            )  # fmt: skip
            count += pumps * cycles * STEPS
        writer.commit(ingest_id="1", declarations=[])
    con.close()
    return count


def seconds(work: Callable[[], object], repeats: int) -> float:
    """Return the median seconds of some runs."""
    taken = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken)


def main() -> None:
    """Measure, and print one line a figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=10_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--folder", type=Path, help="keep the store here, and use one that stands there")
    args = parser.parse_args()
    folder = args.folder or Path(tempfile.mkdtemp(prefix="dripledger-trace-"))
    root = folder / "site"
    try:
        if not (root / "site.toml").exists():
            root.mkdir(parents=True)
            count = write_store(root, args.events)
            (root / "site.toml").write_text(SITE, encoding="utf-8")
            print(f"{count} events written")
        site = load_site(root)
        snapshot = Ledger.open(site.store).snapshot()
        begins = datetime(2026, 6, 10, tzinfo=UTC)
        asked = Asked("P-00007", None, begins, begins + timedelta(hours=24))

        def read_month() -> None:
            con = connect()
            snapshot.attach(con, ["events"])
            con.execute("select count(columns(*)) from events where month = '2026-06'").fetchall()
            con.close()

        unit = seconds(read_month, args.repeats)
        taken = seconds(lambda: trace(site, snapshot, asked), args.repeats)
        told = trace(site, snapshot, asked)
        packet = seconds(lambda: render_files(told, site.zone), 1)
        print(f"one month read once: {unit:.2f} s")
        print(f"timeline of 24 h ({len(told.lines)} lines): {taken:.2f} s, {taken / unit:.2f} x")
        note("timeline of 24 hours of one pump / one month read once", [taken / unit], most=1.5)
        note("timeline of 24 hours of one pump", [taken], unit="s", most=3)
        print(f"figures, HTML, PDF, CSV, JSON of it: {packet:.2f} s")
    finally:
        if args.folder is None:
            shutil.rmtree(folder)


if __name__ == "__main__":
    main()
