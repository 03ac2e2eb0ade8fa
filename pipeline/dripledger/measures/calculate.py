"""Every measure as one table: months x areas x measures, each cell with its status and reason."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any, Final

import duckdb
import pyarrow as pa

from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.measures.cells import Cell, Counts, MonthState, make_cell, not_built, not_measurable
from dripledger.measures.definitions import MEASURES
from dripledger.measures.facts import SOURCES, Facts, Found
from dripledger.measures.inputs import STORE_TABLES, kinds_logged, months_in_store, prepare
from dripledger.measures.measure import Measure, Part
from dripledger.measures.months import Month, as_months
from dripledger.measures.span import refuse_unbuilt
from dripledger.site import Site
from dripledger.store import Snapshot, spill_folder

#: What a table can be split by beside the month, in the order in which the columns stand.
GROUPS: Final = ("care_area", "entry", "pump_type", "high_alert", "source")
COLUMNS_BEFORE: Final = ("measure", "month", "care_area")
COLUMNS_AFTER: Final = ("numerator", "denominator", "value", "low95", "high95", "unit", "status", "reason")

_CELL: Final = tuple(column.name for column in fields(Cell))
_AMOUNT = pa.decimal128(28, 9)
_Key = tuple[str, ...]
#: No names of areas: these stand after them.
_AT_THE_END = ("unmapped", "none selected")


def check_groups(by: Iterable[str]) -> tuple[str, ...]:
    """Return the groups in the order of their columns.

    Parameters
    ----------
    by
        Names out of `GROUPS`; ``month`` may stand among them and is always a group.

    Raises
    ------
    UsageError
        If a name is none of them.
    """
    asked = [name.strip() for name in by if name.strip()]
    for name in asked:
        if name not in (*GROUPS, "month"):
            raise UsageError(
                f"{name!r} is nothing that measures can be split by",
                where="--by",
                do=f"There are: month, {', '.join(GROUPS)}",
            )
    return tuple(name for name in GROUPS if name in asked)


def calculate(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    snapshot: Snapshot | None,
    months: Sequence[str | Month] | None = None,
    by: Iterable[str] = ("care_area",),
) -> pa.Table:
    """Calculate every measure.

    Parameters
    ----------
    con
        Connection in which the store's tables stand, or into which `snapshot` attaches them.
    site
        The site: care areas, thresholds, minimums, lists.
    snapshot
        The store version to read; None: the tables stand in `con` already.
    months
        Local months, ``YYYY-MM``; default: from the first event's month to the last's.
    by
        Groups beside the month, out of `GROUPS`.

    Returns
    -------
    pyarrow.Table
        Columns `measure, month, care_area`, the other groups of `by`, then `numerator`, `denominator`
        (DECIMAL; starts, hours, minutes, events, ...), `value`, `low95`, `high95` (shares are fractions
        0-1; rates are per 100 of the base), `unit`, `status`, `reason`. A group that a measure cannot be
        split by is empty: one row for all of it. A part of a measure is a row of its own,
        ``measure_part``. Sorted by month, measure (in the order of the definitions), groups.

    Raises
    ------
    UsageError
        For an unknown group or a text that is no month, or where the version's infusions are not built.
    """
    groups = check_groups(by)
    if snapshot is not None:
        refuse_unbuilt(snapshot)
        snapshot.attach(con, STORE_TABLES)
    wanted = as_months(months) if months is not None else months_in_store(con, site)
    prepare(con, site, wanted)
    return tabulate(con, site, wanted, groups)


def tabulate(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    months: Sequence[Month],
    groups: tuple[str, ...],
    measures: Sequence[str] | None = None,
    full: Sequence[Month] = (),
    read: Facts | None = None,
) -> pa.Table:
    """Make the table of `calculate` from relations that `prepare` has made for these months at least.

    `measures` names those wanted, by id; None: every one. Of the months in `full` every one stands there.
    `read` knows the facts that were read before; without it all are read.
    """
    read = Facts(con) if read is None else read
    states = month_states(con, site)
    names = [str(month) for month in months]
    whole = names if measures is None else [name for name in names if name in {str(m) for m in full}]
    chosen = {name: one for name, one in MEASURES.items() if whole or name in (measures or ())}
    asked = {name: names if measures is None or name in measures else whole for name in chosen}
    facts = {name: read.of(one, groups, asked[name]) for name, one in chosen.items() if one.built}
    grid = _grid(site, facts, groups, names)
    present = {own: read.presence(own, names) for own in grid}
    logged = kinds_logged(con)
    sources = {*logged, *(name for found in present.values() for here in found.values() for name in here)}
    lacks = {m.id: {name: m.lacking(logged.get(name, ())) for name in sources} for m in chosen.values()}
    rows = []
    for month in names:
        for measure in (one for one in chosen.values() if month in asked[one.id]):
            own = tuple(g for g in groups if g in measure.groups)
            for key in grid.get(own, [()]):
                place = dict(zip(own, key, strict=True))
                here = present.get(own, {}).get((month, key), {})
                unable = sum(n for source, n in here.items() if lacks[measure.id][source])
                lacking = _lacking(measure, lacks[measure.id], here)
                for name, part in measure.rows.items():
                    found = facts.get(measure.id, {}).get(name, {})
                    counts = replace(found.get((month, key), Counts()), lacking=lacking)
                    if measure.built and SOURCES[measure.id].by_presence and not counts.left_out_unable:
                        counts = replace(counts, unable_here=unable, infusions_here=sum(here.values()))
                    cell = _cell(site, measure, part, counts, own, states[month])
                    rows.append(_row(name, measure, month, groups, place, cell))
    return _table(rows, groups)


def _lacking(measure: Measure, lacks: Mapping[str, tuple[str, ...]], here: Collection[str]) -> str:
    """Say what the sources of one cell do not record of what a measure needs.

    Parameters
    ----------
    measure
        The measure.
    lacks
        Source -> what it cannot log of that.
    here
        Sources of the cell's infusions; where none of them lacks anything, the others are meant: a pump that
        ran no infusion stands in no cell of these.
    """
    told = {lacks[name] for name in here if lacks[name]} or {lack for lack in lacks.values() if lack}
    named = [kind for kind in measure.lacking(()) if any(kind in lack for lack in told)]
    return f"{'one or more of ' if len(told) > 1 else ''}{', '.join(named or measure.needs)}"


def measure_store(
    site: Site,
    snapshot: Snapshot,
    months: Sequence[str | Month] | None = None,
    by: Iterable[str] = ("care_area",),
) -> pa.Table:
    """Calculate every measure of a store version in a connection of its own; see `calculate`."""
    with spill_folder(snapshot.root, "measures") as spill, connect(spill) as con:
        return calculate(con, site, snapshot, months, by)


def starts_variants(con: duckdb.DuckDBPyConnection, site: Site) -> pa.Table:
    """Count start-based measures when the window of continuation is 0 or 60 minutes, beside the site's own.

    Parameters
    ----------
    con
        Connection in which `calculate` or `prepare` ran.
    site
        The site; its window is the middle one.

    Returns
    -------
    pyarrow.Table
        `measure`, `month`, `care_area`, `window_min` (minutes after a stop or completion in
        which a start continues the infusion), `numerator`, `denominator` (starts).
    """
    minutes = {
        "no_window": 0.0,
        "site_window": site.settings.thresholds.continue_after_stop_s / 60,
        "long_window": 60.0,
    }
    found = con.execute(
        "select measure, month, care_area, variant, numerator, denominator from starts_variants"
    ).fetchall()
    own = minutes["site_window"]
    rows = sorted(
        (r[0], r[1], r[2], minutes[r[3]], r[4], r[5])
        for r in found
        # where the site's own window is one of the others, each window still stands once
        if r[3] == "site_window" or minutes[r[3]] != own
    )
    names = ("measure", "month", "care_area", "window_min", "numerator", "denominator")
    types = (pa.string(), pa.string(), pa.string(), pa.float64(), pa.int64(), pa.int64())
    return pa.table(
        {n: pa.array([r[i] for r in rows], t) for i, (n, t) in enumerate(zip(names, types, strict=True))}
    )


def month_states(con: duckdb.DuckDBPyConnection, site: Site) -> dict[str, MonthState]:
    """Return for each prepared month whether it is provisional, and why."""
    least = site.settings.thresholds.provisional_share
    states = {}
    for month, in_service, heard, can_be in con.execute(
        "select month, in_service, heard_after, can_be_provisional from month_state order by month"
    ).fetchall():
        # Of no pump nothing is to come.
        enough = heard >= least * in_service
        listed = site.pumps is not None
        who = "pumps in service at its end" if listed else "pumps heard in it (there is no pumps.csv)"
        reason = f"{heard} of {in_service} {who} were heard after the month; final from {100 * least:g} %"
        states[month] = MonthState(in_service, heard, bool(can_be) and not enough, reason)
    return states


def _grid(
    site: Site,
    facts: dict[str, dict[str, Found]],
    groups: tuple[str, ...],
    months: Sequence[str],
) -> dict[tuple[str, ...], list[_Key]]:
    """Return the group keys of each combination of groups: declared areas, and all that a month shows."""
    seen: dict[tuple[str, ...], set[_Key]] = defaultdict(set)
    for measure in MEASURES.values():
        own = tuple(g for g in groups if g in measure.groups)
        for found in facts.get(measure.id, {}).values():
            seen[own].update(key for month, key in found if month in months)
    declared = [
        name for name, area in site.settings.care_areas.items() if area.context in ("clinical", "unknown")
    ]
    for own, keys in seen.items():
        if own and own[0] == "care_area":
            have = {key[0] for key in keys}
            keys.update((name, *("" for _ in own[1:])) for name in declared if name not in have)
            if not keys:
                keys.add(("none selected", *("" for _ in own[1:])))
        elif not keys:
            keys.add(tuple("" for _ in own))
    return {own: sorted(keys, key=_last_unmapped) for own, keys in seen.items()}


def _last_unmapped(key: _Key) -> tuple[tuple[int, str], ...]:
    """Sort by name, 'unmapped' and 'none selected' last."""
    return tuple((_AT_THE_END.index(v) + 1 if v in _AT_THE_END else 0, v) for v in key)


def _cell(
    site: Site, measure: Measure, part: Part | None, counts: Counts, own: tuple[str, ...], state: MonthState
) -> Cell:
    if not measure.built:
        return not_built()
    note = ""
    if any(g in ("entry", "high_alert") for g in own):
        if "high_alert" in own and site.entries is None:
            return not_measurable("there is no entries.csv that says which entries are high-alert")
        if measure.id in ("library_use_starts", "library_use_hours"):
            return not_measurable("outside the library the drug is not known, so no split by entry")
        note = "what ran outside the library names no entry and stands under none"
    if measure.id == "fleet_coverage" and site.pumps is None:
        return not_measurable("there is no pumps.csv that says which pumps are in service")
    if measure.id == "log_completeness" and counts.denominator == 0:
        return not_measurable("no source with a log in the month declares its sequence to be reliable")
    return make_cell(measure, part, counts, site.settings.minimums, state, note)


def _row(
    name: str, measure: Measure, month: str, groups: tuple[str, ...], place: dict[str, str], cell: Cell
) -> dict[str, Any]:
    row: dict[str, Any] = {"measure": name, "month": month, "care_area": place.get("care_area", "")}
    row.update({g: place.get(g, "") for g in groups if g != "care_area"})
    row.update({column: getattr(cell, column) for column in _CELL})
    row["unit"] = measure.unit
    return row


def _table(rows: list[dict[str, Any]], groups: tuple[str, ...]) -> pa.Table:
    types: dict[str, pa.DataType] = {name: pa.string() for name in COLUMNS_BEFORE}
    types.update({g: pa.string() for g in groups if g != "care_area"})
    for name in COLUMNS_AFTER:
        types[name] = pa.string()
    types.update(numerator=_AMOUNT, denominator=_AMOUNT)
    types.update({name: pa.float64() for name in ("value", "low95", "high95")})
    return pa.table({name: pa.array([row[name] for row in rows], kind) for name, kind in types.items()})
