"""`library attention`: which entries and limits deserve a person's eyes, with every count behind it.

Below the site's minimums it shows counts and ranks nothing. Nothing in it is about persons, and no share of
overrides is good or bad by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import duckdb
import numpy as np
import pyarrow as pa

from dripledger.case_command import trace_command
from dripledger.library.chance import slips
from dripledger.library.relations import build, fetch, put, put_rows
from dripledger.library.rows import LimitRow, six_digits
from dripledger.site import Site
from dripledger.statistics import clustered_rate, wilson

ATTENTION_CAUTIONS: Final = (
    "For quality improvement, not for decisions at the bedside, and no advice on a dose or a limit. Limits "
    "are set by the organisation's pharmacists and licensed clinicians under its policy and local law.",
    "Counts of overrides are about systems, not persons: a share of overrides has no good direction and no "
    "target.",
    "Care areas are as selected at the pump. Dates and eight-hour shifts stand for times.",
    "A suspected slip is a ratio and no finding: chance gives matches too, and their expected number stands "
    "beside.",
    "A limit that never fired may be one that nobody ever came near, which may be what it is for.",
)

#: Lists in the order in which they are written.
LISTS: Final = ("entries", "pareto", "limits", "cases", "slips", "chance", "concentrations", "unused")
_RELATIONS: Final = (
    "attention_entries", "attention_clusters", "attention_limits", "attention_cases", "attention_slips",
    "attention_weights", "attention_concentrations", "attention_unused",
)  # fmt: skip
_SMALL: Final = "small"


def attention(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    current: Sequence[LimitRow] = (),
    others: Sequence[LimitRow] = (),
) -> dict[str, pa.Table]:
    """Make every list.

    Parameters
    ----------
    con
        Connection in which `relations.prepare` ran.
    site
        For the minimums.
    current
        Rows of the library in force: for entries that nobody used and limits that never fired.
    others
        Rows of the libraries before it: a limit that they held too was in use longer.

    Returns
    -------
    dict of str to pyarrow.Table
        The tables of `LISTS`. Shares are fractions 0-1 with 95 % intervals, rates are per 100 uses; where a
        denominator is under the site's minimum the value is null and its status ``small``.
    """
    put_rows(con, "current_rows", current)
    put(con, "standing_limits", _standing(current, others))
    build(con, *_RELATIONS)
    least = site.settings.minimums.starts
    entries = fetch(con, "attention_entries").to_pylist()
    found, chance = slips(con)
    return {
        "entries": _entries(con, entries, least),
        "pareto": _pareto(entries, least),
        "limits": _limits(fetch(con, "attention_limits").to_pylist(), least),
        "cases": _with_command(fetch(con, "attention_cases")),
        "slips": _with_command(found),
        "chance": chance,
        "concentrations": fetch(con, "attention_concentrations"),
        "unused": fetch(con, "attention_unused"),
    }


def _with_command(cases: pa.Table) -> pa.Table:
    """Add to each case the command that shows what its pump did."""
    told = [trace_command(case) for case in cases.column("case_id").to_pylist()]
    return cases.append_column("trace", pa.array(told, pa.string()))


def _standing(current: Sequence[LimitRow], others: Sequence[LimitRow]) -> pa.Table:
    """Return in which versions each limit of the library in force stands, with the same value."""
    versions: dict[tuple[object, ...], set[str]] = {}
    for row in (*current, *others):
        for name, value in row.limits.items():
            versions.setdefault((*_place(row), name, six_digits(value)), set()).add(row.version)
    told = [
        {"row_no": number, "limit_name": name, "library_version": version}
        for number, row in enumerate(current, start=1)
        for name, value in row.limits.items()
        for version in sorted(versions[(*_place(row), name, six_digits(value))])
    ]
    return _table(
        told, (("row_no", pa.int64()), ("limit_name", pa.string()), ("library_version", pa.string()))
    )


def _place(row: LimitRow) -> tuple[object, ...]:
    return row.care_area, row.entry, row.strength, row.limited_quantity, row.limit_unit, row.weights


def override_share(overridden: int, known: int, least: int) -> dict[str, Any]:
    """Return share, interval and status of overrides among soft-limit attempts with known outcome."""
    names = ("override_share", "override_low95", "override_high95", "override_status")
    if known < least:
        return dict(zip(names, (None, None, None, _SMALL), strict=True))
    low, high = wilson([overridden], [known])
    return dict(zip(names, (overridden / known, float(low[0]), float(high[0]), "ok"), strict=True))


def _entries(con: duckdb.DuckDBPyConnection, entries: list[dict[str, Any]], least: int) -> pa.Table:
    clusters: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for area, name, uses, alerts in con.execute(
        "select care_area, entry, uses, limit_alerts from attention_clusters"
    ).fetchall():
        clusters.setdefault((area, name), []).append((uses, alerts))
    out = []
    for entry in entries:
        rate: dict[str, Any] = dict.fromkeys(("alerts_per_100_uses", "alerts_low95", "alerts_high95"))
        rate["alerts_status"] = _SMALL
        told = clusters.get((entry["care_area"], entry["entry"]))
        if told is not None and entry["uses"] >= least:
            uses, alerts = np.array(told, np.float64).T
            got = clustered_rate(alerts, uses, np.arange(len(told)))
            values = [100 * value for value in (got.value, got.low, got.high)]
            rate = dict(zip(rate, [*(None if np.isnan(v) else v for v in values), "ok"], strict=True))
        share = override_share(entry["overridden"], entry["outcome_known"], least)
        out.append({**entry, **rate, **share})
    return _table(out, (*_names(con, "attention_entries"), *_RATE, *_SHARE))


_RATE: Final = (
    ("alerts_per_100_uses", pa.float64()), ("alerts_low95", pa.float64()), ("alerts_high95", pa.float64()),
    ("alerts_status", pa.string()),
)  # fmt: skip
_SHARE: Final = (
    ("override_share", pa.float64()), ("override_low95", pa.float64()), ("override_high95", pa.float64()),
    ("override_status", pa.string()),
)  # fmt: skip


def _names(con: duckdb.DuckDBPyConnection, relation: str) -> list[tuple[str, pa.DataType]]:
    schema = con.sql(f'select * from "{relation}" limit 0').to_arrow_table().schema
    return [(field.name, field.type) for field in schema]


def _table(rows: list[dict[str, Any]], names: Sequence[tuple[str, pa.DataType]]) -> pa.Table:
    return pa.Table.from_pylist(rows, schema=pa.schema(list(names)))


def _pareto(entries: list[dict[str, Any]], least: int) -> pa.Table:
    """Return the few entries that make most of the alerts; under the minimum by name, and not ranked."""
    warned = [entry for entry in entries if entry["limit_alerts"] > 0]
    total = sum(entry["limit_alerts"] for entry in warned)
    enough = total >= least
    if enough:
        warned.sort(key=lambda e: (-e["limit_alerts"], e["care_area"], e["entry"]))
    rows, so_far = [], 0
    for place, entry in enumerate(warned, start=1):
        so_far += entry["limit_alerts"]
        rows.append(
            {
                "place": place if enough else None,
                "care_area": entry["care_area"],
                "entry": entry["entry"],
                "limit_alerts": entry["limit_alerts"],
                "uses": entry["uses"],
                "share_of_alerts": entry["limit_alerts"] / total if enough else None,
                "cumulative_share": so_far / total if enough else None,
                "all_alerts": total,
                "status": "ok"
                if enough
                else f"{_SMALL}: {total} alerts in all, nothing is ranked under {least}",
            }
        )
    return _table(
        rows,
        (
            ("place", pa.int64()), ("care_area", pa.string()), ("entry", pa.string()),
            ("limit_alerts", pa.int64()), ("uses", pa.int64()), ("share_of_alerts", pa.float64()),
            ("cumulative_share", pa.float64()), ("all_alerts", pa.int64()), ("status", pa.string()),
        ),
    )  # fmt: skip


def _limits(limits: list[dict[str, Any]], least: int) -> pa.Table:
    rows = []
    for limit in limits:
        n, same = limit["overrides_with_value"], limit["overrides_at_it"]
        rows.append(
            {
                **limit,
                **override_share(limit["overridden"], limit["outcome_known"], least),
                # most of enough overrides on one same value: a limit that practice disagrees with
                "settles_on_one_value": 2 * same > n if n >= least else None,
            }
        )
    texts = ("care_area", "entry", "limit_quantity", "limit_side")
    counts = ("attempts", "limit_alerts", "attempts_hard", "overridden", "outcome_known", "brought_within")
    return _table(
        rows,
        (
            *((name, pa.string()) for name in texts),
            ("limit_value", pa.float64()), ("limit_unit", pa.string()),
            *((name, pa.int64()) for name in counts),
            *_SHARE,
            ("commonest_final", pa.float64()), ("overrides_at_it", pa.int64()),
            ("overrides_with_value", pa.int64()), ("settles_on_one_value", pa.bool_()),
        ),
    )  # fmt: skip
