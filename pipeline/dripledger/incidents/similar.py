"""Where else: the same rule, entry and size elsewhere in the store, by care area and month."""

from __future__ import annotations

from collections import Counter
from typing import Final

import duckdb
import pyarrow as pa

from dripledger.engine import build_relations, connect
from dripledger.engine.sqlfiles import build_order, load_sql_files
from dripledger.errors import UsageError
from dripledger.incidents.findings import name_of
from dripledger.incidents.given import make_settings, set_aside
from dripledger.incidents.rows import Row, fetch
from dripledger.incidents.rules import RULES, Rule
from dripledger.site import Site
from dripledger.store import Snapshot, spill_folder

_TABLES: Final = ("quarantined", "segments", "infusions", "attempts", "alarms", "libraries")


def similar(site: Site, snapshot: Snapshot, name: str) -> tuple[pa.Table, str]:
    """Return the siblings of a finding, by care area and month.

    Parameters
    ----------
    site, snapshot
        The site and the version of its store.
    name
        The finding's name, as a trace gives it: ``rule:event``.

    Returns
    -------
    tuple
        One row a month and care area (``month, care_area, findings, pumps``); what was looked for, in a
        sentence.

    Raises
    ------
    UsageError
        If there is no such rule, or the rule finds nothing at that event in this version of the store.
    """
    rule = _rule(name)
    with spill_folder(site.store, "similar") as spill, connect(spill) as con:
        snapshot.attach(con, _TABLES)
        snapshot.attach(con, ("events", "ignored"), "all_")
        set_aside(con, site, "all_events", "all_ignored")
        make_settings(con, site)
        _build(con, rule)
        rows = fetch(
            con,
            "select f.pump_id, f.at, f.care_area, f.entry, f.size, f.detail, f.evidence "
            f"from {rule.relation} as f order by f.at, f.pump_id, f.channel, f.evidence",
        )
    own = next((row for row in rows if name_of(rule, row) == name), None)
    if own is None:
        raise UsageError(
            f"rule {rule.name} finds nothing at that event in store version {snapshot.version}",
            where=name,
            do="Copy the name of a finding from a trace of this store",
        )
    entry, kind = _entry(rule, own), rule.size_class(own["size"])
    found = [r for r in rows if _entry(rule, r) == entry and rule.size_class(r["size"]) == kind]
    return _table(site, found), _sentence(rule, own, entry, len(found))


def _rule(name: str) -> Rule:
    rule, _, event = name.partition(":")
    if rule not in RULES or not event:
        raise UsageError(
            f"{name!r} is no name of a finding",
            where="--similar",
            do=f"It is a rule, a colon and an event; the rules are {', '.join(RULES)}",
        )
    return RULES[rule]


def _build(con: duckdb.DuckDBPyConnection, rule: Rule) -> None:
    needed = build_order(load_sql_files("incidents"), [rule.relation])
    if any("pump_places" in file.reads for file in needed):
        build_relations(con, "infusions", ["pump_places"])
    build_relations(con, "incidents", [rule.relation])


def _entry(rule: Rule, row: Row) -> str | None:
    """Return the entry that a finding is about; of an infusion outside the library, what else names it."""
    told = row["entry"] or (row["detail"] if rule.name == "outside_library" else None)
    return str(told) if told else None


def _table(site: Site, rows: list[Row]) -> pa.Table:
    counts: Counter[tuple[str, str]] = Counter()
    pumps: dict[tuple[str, str], set[str]] = {}
    for row in rows:
        key = (f"{row['at'].astimezone(site.zone):%Y-%m}", str(row["care_area"] or "none selected"))
        counts[key] += 1
        pumps.setdefault(key, set()).add(str(row["pump_id"]))
    keys = sorted(counts)
    return pa.table(
        {
            "month": pa.array([k[0] for k in keys], pa.string()),
            "care_area": pa.array([k[1] for k in keys], pa.string()),
            "findings": pa.array([counts[k] for k in keys], pa.int64()),
            "pumps": pa.array([len(pumps[k]) for k in keys], pa.int64()),
        }
    )


def _sentence(rule: Rule, own: Row, entry: str | None, count: int) -> str:
    size = ""
    if rule.sizes and own["size"] is not None:
        place = rule.size_class(own["size"])
        low = rule.sizes[place - 1] if place else None
        high = rule.sizes[place] if place < len(rule.sizes) else None
        bounds = [
            f"{low:g} or more" if low is not None else "",
            f"under {high:g}" if high is not None else "",
        ]
        size = f", size {' and '.join(b for b in bounds if b)}"
    times = "once" if count == 1 else f"{count} times"
    return (
        f"{rule.title}; entry {entry or 'not named'}{size}: found {times} in the store, the named one "
        "included. "
        "Counts are of what the logs show, under what those logs can show."
    )
