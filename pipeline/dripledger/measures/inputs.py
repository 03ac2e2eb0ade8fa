"""What measures read beside the store's tables: months, pumps in service, flags, capabilities."""

from __future__ import annotations

import calendar
import json
from collections.abc import Collection, Iterable, Sequence
from datetime import date

import duckdb
import pyarrow as pa

from dripledger.engine import build_relations
from dripledger.measures.definitions import MEASURES
from dripledger.measures.months import Month, month_of
from dripledger.schema import EVENT_KINDS
from dripledger.schema.units import register_units
from dripledger.site import Site, SourceRule
from dripledger.store.counting import counting_events

#: Store tables that measures read.
STORE_TABLES = (
    "events", "quarantined", "ignored", "segments", "infusions", "programmings", "attempts", "alarms",
    "ingests", "libraries",
)  # fmt: skip

#: Read once at most, or cheaper to read again than to keep.
_VIEWS = (
    "sequence_records", "starts_by_window", "starts_variants", "continuation_pieces", "continuation_chains",
    "plain_alerts", "power_events", "pump_power", "alarm_channels", "alarm_stretches", "pump_models",
    "warnings_apart", "clears_alone", "hours_behind",
)  # fmt: skip

_LONGEST_SILENCE_MONTHS = 12

#: The longer window of continuation that start-based measures are also counted under.
LONG_WINDOW_S = 3600.0

_INSTANT = pa.timestamp("us", tz="UTC")


def prepare(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    months: Sequence[Month],
    relations: Iterable[str] | None = None,
    *,
    kept: Collection[str] = (),
    windows: Sequence[Month] | None = None,
) -> None:
    """Make the relations of the measures.

    Parameters
    ----------
    con
        Connection in which the store's tables stand (`STORE_TABLES`).
    site
        The site; its lists and thresholds become relations.
    months
        The months to calculate.
    relations
        Make only these and what they need (`relations_of`); None: all.
    kept
        Relations to make as tables that are views for others: the caller reads them more than once.
    windows
        Those of the months of which starts are also counted under other windows of continuation; None: all.
    """
    _put(con, "site_months", _months(site, months))
    _put(con, "window_months", _months(site, months if windows is None else windows))
    _put(con, "pumps_in_service", _pumps(site, months))
    _put(con, "entry_flags", _flags(site))
    rules = site.settings.precedence
    _put(con, "source_records", _capabilities(con))
    _put(con, "counting_records", _counting(con, rules))
    build_relations(con, "logs")
    con.execute("insert into source_records select source_name, kind from log_records")
    _put(con, "able_sources", _able(con))
    _put(con, "area_contexts", _contexts(site))
    _put(con, "measure_settings", _settings(site))
    # Where two systems report the same fact, only the source that the site names counts.
    con.execute(f"create or replace temp view counting_events as {counting_events(rules, 'events')}")
    register_units(con)
    build_relations(con, "measures", relations, as_views=[name for name in _VIEWS if name not in kept])


def months_in_store(con: duckdb.DuckDBPyConnection, site: Site) -> list[Month]:
    """Return the local months with events, and the silent ones between them.

    A silence of more than a year is left out: a pump whose clock stands decades off must not bring
    hundreds of empty months. What lies after such a silence and after the newest ingest is no month of the
    site: `status` names the pumps whose clocks stand ahead.
    """
    ingested = con.execute("select max(ingested_at) from ingests").fetchall()[0][0]
    newest = None if ingested is None else month_of(ingested, site.zone)
    # plain arithmetic: a day by the engine's calendar costs ten times as much
    days = con.execute(
        "select min(occurred_at), max(occurred_at) from events group by epoch_us(occurred_at) // 86400000000"
    ).fetchall()
    seen = sorted({month_of(at, site.zone) for day in days for at in day})
    months: list[Month] = []
    for month in seen:
        silent = month.minus(months[-1]) - 1 if months else 0
        if silent > _LONGEST_SILENCE_MONTHS and newest is not None and month > newest:
            break
        if 0 < silent <= _LONGEST_SILENCE_MONTHS:
            months += [months[-1].plus(i) for i in range(1, silent + 1)]
        months.append(month)
    return months


def _put(con: duckdb.DuckDBPyConnection, name: str, data: pa.Table) -> None:
    con.register(f"{name}_given", data)
    con.execute(f'create or replace temp table "{name}" as select * from "{name}_given"')
    con.unregister(f"{name}_given")


def _months(site: Site, months: Sequence[Month]) -> pa.Table:
    return pa.table(
        {
            "month": pa.array([str(m) for m in months], pa.string()),
            "begins_at": pa.array([m.begins_at(site.zone) for m in months], _INSTANT),
            "ends_at": pa.array([m.plus(1).begins_at(site.zone) for m in months], _INSTANT),
            "next_ends_at": pa.array([m.plus(2).begins_at(site.zone) for m in months], _INSTANT),
            "begins_local": pa.array([m.begins_local for m in months], pa.timestamp("us")),
            "ends_local": pa.array([m.plus(1).begins_local for m in months], pa.timestamp("us")),
        }
    )


def _pumps(site: Site, months: Sequence[Month]) -> pa.Table:
    """In service: on any day of the month; the days of pumps.csv are both included."""
    rows = []
    for month in months:
        first = date(month.year, month.number, 1)
        last = first.replace(day=calendar.monthrange(month.year, month.number)[1])
        in_month: dict[str, bool] = {}
        for pump in site.pumps or ():
            begins, ends = pump.in_service_from or date.min, pump.in_service_to or date.max
            if begins <= last and ends >= first:
                in_month[pump.pump] = in_month.get(pump.pump, False) or ends >= last
        rows += [(str(month), name, at_end) for name, at_end in sorted(in_month.items())]
    return pa.table(
        {
            "month": pa.array([r[0] for r in rows], pa.string()),
            "pump_id": pa.array([r[1] for r in rows], pa.string()),
            "at_end": pa.array([r[2] for r in rows], pa.bool_()),
        }
    )


def _flags(site: Site) -> pa.Table:
    flags = {row.entry: row.high_alert for row in site.entries or ()}
    return pa.table(
        {
            "entry": pa.array(list(flags), pa.string()),
            "high_alert": pa.array(list(flags.values()), pa.bool_()),
        }
    )


def _capabilities(con: duckdb.DuckDBPyConnection) -> pa.Table:
    """Kinds that each source can log, as its newest ingest declared them."""
    rows = con.execute(
        "select source_name, records_json from ingests where source_name is not null"
        " order by ingested_at, ingest_id, source_file_sha256"
    ).fetchall()
    kinds: dict[str, list[str]] = {}
    for name, text in rows:
        declared = json.loads(text or "[]")
        kinds[name] = sorted(EVENT_KINDS) if "all" in declared else sorted(set(declared))
    pairs = [(name, kind) for name in sorted(kinds) for kind in kinds[name]]
    return pa.table(
        {
            "source_name": pa.array([p[0] for p in pairs], pa.string()),
            "kind": pa.array([p[1] for p in pairs], pa.string()),
        }
    )


def _counting(con: duckdb.DuckDBPyConnection, rules: Sequence[SourceRule]) -> pa.Table:
    """Kinds of each source whose word counts, by pumps that rules name; an empty pump is every other one."""
    pumps = sorted({"", *(pump for rule in rules for pump in rule.pumps)})
    con.register("rule_pumps", pa.table({"pump_id": pa.array(pumps, pa.string())}))
    claims = "(select p.pump_id, r.source_name, r.kind from source_records r cross join rule_pumps p)"
    found = con.sql(counting_events(rules, claims)).to_arrow_table()
    con.unregister("rule_pumps")
    return found


def kinds_logged(con: duckdb.DuckDBPyConnection) -> dict[str, set[str]]:
    """Return the kinds that each source can log, in a connection in which `prepare` ran."""
    kinds: dict[str, set[str]] = {}
    for name, kind in con.execute("select source_name, kind from source_records").fetchall():
        kinds.setdefault(name, set()).add(kind)
    return kinds


def _able(con: duckdb.DuckDBPyConnection) -> pa.Table:
    """Which sources can log what each measure needs; a measure that needs nothing has all."""
    kinds = kinds_logged(con)
    pairs = [
        (measure.id, name)
        for measure in MEASURES.values()
        for name in sorted(kinds)
        if not measure.lacking(kinds[name])
    ]
    return pa.table(
        {
            "measure": pa.array([p[0] for p in pairs], pa.string()),
            "source_name": pa.array([p[1] for p in pairs], pa.string()),
        }
    )


def _contexts(site: Site) -> pa.Table:
    areas = site.settings.care_areas
    return pa.table(
        {
            "care_area": pa.array(list(areas), pa.string()),
            "use_context": pa.array([area.context for area in areas.values()], pa.string()),
        }
    )


def _settings(site: Site) -> pa.Table:
    thresholds = site.settings.thresholds
    return pa.table(
        {
            "zone": pa.array([site.settings.time_zone], pa.string()),
            "no_gap_us": pa.array([round(thresholds.no_gap_s * 1e6)], pa.int64()),
            "false_start_us": pa.array([round(thresholds.false_start_s * 1e6)], pa.int64()),
            "late_share": pa.array([1 - thresholds.provisional_share], pa.float64()),
            "stale_us": pa.array([round(thresholds.stale_library_days * 86400e6)], pa.int64()),
            "long_stop_us": pa.array([round(thresholds.long_stop_s * 1e6)], pa.int64()),
            "variant_us": pa.array([round(LONG_WINDOW_S * 1e6)], pa.int64()),
            # not whether one of them was in service in the months that happen to be prepared
            "pumps_listed": pa.array([bool(site.pumps)], pa.bool_()),
        }
    )
