"""Whether a month costs a month, however long the history.

Run ``python -m tests.benchmarks.history [--months N] [--pumps P] [--records R] [--no-reports]``.

Ingests N (25) months of an invented log, one ingest a month, infusions and all, and writes the report of each
month that is compared. Prints seconds of processor of the last month against the second: at most 1.2 times
is wanted, for ingest and report each. At the end the tables built month by month are compared with a full
build, row for row, and the full build is told as a ratio to one pass of `lag` by pump, channel and time over
the same events.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import duckdb

from dripledger.engine import connect
from dripledger.events import ingest
from dripledger.infusions.build import RESULTS, build, make_settings, make_source_records
from dripledger.reports import write_report
from dripledger.schema import TABLES
from dripledger.site import Site, load_site
from dripledger.store import Ledger
from tests.benchmarks.figures import note, verdict
from tests.benchmarks.ingest import MAPPING, SITE, select_records

#: Months that stand for a place in history: the median of three.
_AROUND = 3
#: Records between switching on and off, and seconds from one to the next.
_SESSION, _STEP_S = 125, 600


def write_months(folder: Path, months: int, pumps: int, records: int) -> list[Path]:
    """Write one file a month, of so many records a pump; return them in order.

    A pump is switched on, used for most of a day and switched off, and is silent until the next time.
    """
    con = duckdb.connect()
    con.execute("set timezone = 'UTC'")
    apart = 30 * 86_400 * _SESSION // records
    con.execute(
        f"""
        create table records as
        select * exclude (place, "Time"), strftime(told_at, '%Y-%m-%d %H:%M:%S') as "Time"
        from (
            select * replace (
                case place when 0 then 'UP' when {_SESSION - 1} then 'OFF' else "Event" end as "Event",
                case when place in (0, {_SESSION - 1}) then '' else "Channel" end as "Channel"
            ),
            timezone('Europe/Lisbon', timestamptz '2024-01-01' + to_seconds(cast(
                ("Sequence" - 1) // {_SESSION} * {apart} + place * {_STEP_S} as bigint
            ))) as told_at
            from (
                select *, ("Sequence" - 1) % {_SESSION} as place
                from ({select_records(pumps, months * records)})
            )
        )
        """
    )
    paths = []
    for (month,) in con.execute(
        "select distinct strftime(told_at, '%Y-%m') from records order by 1"
    ).fetchall():
        paths.append(folder / f"{month}.csv")
        con.execute(
            f"copy (select * exclude (told_at) from records where strftime(told_at, '%Y-%m') = '{month}' "
            f"order by \"Device\", \"Sequence\") to '{paths[-1]}' (header, delimiter ',')"
        )
    con.close()
    return paths[:months]


def compare(site: Site, folder: Path) -> tuple[float, float]:
    """Build everything anew and compare; return seconds of processor of the build and of one `lag` pass."""
    with connect(folder / "spill") as con:
        Ledger.open(site.store).snapshot().attach(con, ["ingests", "events", "ignored", "quarantined"])
        began = time.process_time()
        con.execute(
            "create temp table passed as select event_id, lag(occurred_at) over (partition by facility, "
            "pump_id, channel order by occurred_at, event_id) as before from events"
        )
        unit, began = time.process_time() - began, time.process_time()
        make_settings(con, site.settings)
        make_source_records(con)
        build(con)
        took = time.process_time() - began
        Ledger.open(site.store).snapshot().attach(con, list(RESULTS), "stored_")
        for name in RESULTS:
            columns = ", ".join(f'"{column}"' for column in TABLES[name].names)
            one, other = (f'select {columns} from "{n}"' for n in (name, f"stored_{name}"))
            left, right = f"({one}) except all ({other})", f"({other}) except all ({one})"
            differ = con.execute(f"select count(*) from (({left}) union all ({right}))").fetchall()[0][0]
            if differ:
                raise SystemExit(f"{name}: {differ} rows differ between the full build and the monthly ones")
    return took, unit


def _say(what: str, took: list[float], months: int) -> None:
    early = statistics.median(took[1 : 1 + _AROUND])
    late = statistics.median(took[-_AROUND:])
    note(f"{what} of the last of {months} months / of the second", [late / early], most=1.2)
    met = verdict(late / early, 1.2)
    print(
        f"{what}: around the 2nd {early:.2f} s, the last {late:.2f} s, {late / early:.2f} x  bound 1.2: {met}"
    )


def main() -> None:
    """Measure, and print a line a month."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--months", type=int, default=25)
    parser.add_argument("--pumps", type=int, default=100)
    parser.add_argument("--records", type=int, default=2_500, help="of a pump in a month")
    parser.add_argument("--no-reports", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="dripledger-history-") as name:
        root = Path(name) / "site"
        for part in ("sources", "inbox"):
            (root / part).mkdir(parents=True)
        (root / "site.toml").write_text(SITE, encoding="utf-8")
        (root / "sources" / "pumps.toml").write_text(MAPPING, encoding="utf-8")
        paths = write_months(root / "inbox", options.months, options.pumps, options.records)
        ingests: list[float] = []
        reports: list[float] = []
        for number, path in enumerate(paths, 1):
            began = time.process_time()
            result = ingest(load_site(root), [path])
            ingests.append(time.process_time() - began)
            if not result.balanced or result.failures:
                raise SystemExit(f"{path}: {result.as_json()}")
            told = f"{path.stem}: {result.total('events')} events, ingest {ingests[-1]:.2f} s"
            if not options.no_reports and (number <= 1 + _AROUND or number > len(paths) - _AROUND):
                began = time.process_time()
                write_report(load_site(root), path.stem)
                reports.append(time.process_time() - began)
                told += f", report {reports[-1]:.2f} s"
            print(told, flush=True)
        _say("ingest", ingests, len(paths))
        if reports:
            _say("report", reports, len(paths))
        took, unit = compare(load_site(root), Path(name))
        note("full build of all derived tables / one pass of lag", [took / unit], most=4)
        print(f"full build {took:.2f} s, one pass of lag {unit:.2f} s: {took / unit:.1f} x  (wanted: 4)")
        print("the monthly builds equal the full one, row for row")


if __name__ == "__main__":
    main()
