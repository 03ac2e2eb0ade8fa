"""Suspected slips, and how many of them chance would give.

A ratio within 2 % of a telling one is a suspicion. How many ratios fall there by chance follows from how many
fall near by: between 1 / 1.25 and 1.25 times the telling ratio, without the match itself, in logarithms.
"""

from __future__ import annotations

import math
from typing import Any, Final

import duckdb
import pyarrow as pa

#: How near a ratio must come, and how wide the neighbourhood is that chance is measured in.
MATCH: Final = 0.02
NEAR: Final = 1.25

_SLIPS: Final = pa.schema(
    [
        *((name, pa.string()) for name in ("suspicion", "case_id")),
        ("happened_on", pa.date32()),
        *((name, pa.string()) for name in ("shift", "care_area", "entry", "quantity")),
        ("first_value", pa.float64()), ("other_value", pa.float64()), ("unit", pa.string()),
        ("factor", pa.float64()), ("ratio", pa.float64()), ("outcome", pa.string()), ("pump_id", pa.string()),
        ("matches", pa.int64()), ("expected_by_chance", pa.float64()),
    ]
)  # fmt: skip
_CHANCE: Final = pa.schema(
    [
        ("suspicion", pa.string()), ("ratio", pa.float64()), ("matches", pa.int64()),
        ("near_by", pa.int64()), ("expected_by_chance", pa.float64()),
    ]
)  # fmt: skip


def expected_by_chance(near_by: int) -> float | None:
    """Return how many matches chance would give.

    Parameters
    ----------
    near_by
        Ratios in the neighbourhood that are no match.

    Returns
    -------
    float or None
        Their number times the width of the match over that of the rest of the neighbourhood, in logarithms.
        None where there are none: from no neighbour nothing can be expected, and nothing ruled out.
    """
    if not near_by:
        return None
    match = math.log(1 + MATCH) - math.log(1 - MATCH)
    return near_by * match / (2 * math.log(NEAR) - match)


def slips(con: duckdb.DuckDBPyConnection) -> tuple[pa.Table, pa.Table]:
    """Return the suspected slips, and matches against chance for each suspicion.

    Parameters
    ----------
    con
        Connection in which ``attention_slips`` and ``attention_weights`` stand.
    """
    pairs: list[dict[str, Any]] = []
    for row in con.sql("select * from attention_slips").to_arrow_table().to_pylist():
        told = {"quantity": row["limit_quantity"], "first_value": row["entered_first"],
                "other_value": row["entered_final"], "unit": row["limit_unit"]}  # fmt: skip
        pairs.append({**row, **told})
    for row in con.sql("select * from attention_weights").to_arrow_table().to_pylist():
        told = {"quantity": "weight", "first_value": row["weight_kg"], "other_value": row["other_weight_kg"],
                "unit": "kg", "entry": "", "outcome": ""}  # fmt: skip
        pairs.append({**row, **told})
    counts: dict[tuple[str, float], list[int]] = {}
    for pair in pairs:
        counts.setdefault((pair["suspicion"], pair["ratio"]), [0, 0])[0 if pair["is_match"] else 1] += 1
    chance = [
        {"suspicion": suspicion, "ratio": ratio, "matches": matches, "near_by": near_by,
         "expected_by_chance": expected_by_chance(near_by)}
        for (suspicion, ratio), (matches, near_by) in sorted(counts.items(), key=lambda item: item[0][1])
    ]  # fmt: skip
    rows = []
    for pair in pairs:
        if pair["is_match"]:
            matches, near_by = counts[pair["suspicion"], pair["ratio"]]
            rows.append({**pair, "matches": matches, "expected_by_chance": expected_by_chance(near_by)})
    kept = [{name: row.get(name) for name in _SLIPS.names} for row in rows]
    return pa.Table.from_pylist(kept, schema=_SLIPS), pa.Table.from_pylist(chance, schema=_CHANCE)
