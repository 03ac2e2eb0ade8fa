"""Suspected slips, and how many of them chance would give.

A ratio within 2 % of a telling one is a suspicion. How many ratios fall there by chance follows from how many
fall near by: between 1 / 1.25 and 1.25 times the telling ratio, without the match itself, in logarithms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import duckdb
import pyarrow as pa

#: How near a ratio must come, and how wide the neighbourhood is that chance is measured in.
MATCH: Final = 0.02
NEAR: Final = 1.25

#: Why nothing is expected where nothing can be.
_ALONE: Final = "no other ratio lies near by, so what chance would give cannot be told"

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
        ("near_by", pa.int64()), ("expected_by_chance", pa.float64()), ("note", pa.string()),
    ]
)  # fmt: skip


def expected_by_chance(near_by: Sequence[int]) -> float | None:
    """Return how many matches chance would give.

    Parameters
    ----------
    near_by
        What is in the neighbourhood and is no match, each with the number of its ratios there: an attempt has
        one, a weight one with each of the patient's other weights near by.

    Returns
    -------
    float or None
        By chance a ratio of the neighbourhood is no match with the share q of its width, in logarithms, that
        lies outside the match; with k ratios one thing is none with q^k. So each that is none stands for
        1 / q^k - 1 that are. None where there are none: from no neighbour nothing can be expected, and
        nothing ruled out.
    """
    if not near_by:
        return None
    outside = 1 - (math.log(1 + MATCH) - math.log(1 - MATCH)) / (2 * math.log(NEAR))
    return math.fsum(outside**-tries - 1 for tries in near_by)


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
                "other_value": row["entered_final"], "unit": row["limit_unit"], "tries": 1}  # fmt: skip
        pairs.append({**row, **told})
    for row in con.sql("select * from attention_weights").to_arrow_table().to_pylist():
        told = {"quantity": "weight", "first_value": row["weight_kg"], "other_value": row["other_weight_kg"],
                "unit": "kg", "entry": "", "outcome": ""}  # fmt: skip
        pairs.append({**row, **told})
    matches: dict[tuple[str, float], int] = {}
    near_by: dict[tuple[str, float], list[int]] = {}
    for pair in pairs:
        kind = (pair["suspicion"], pair["ratio"])
        matches[kind] = matches.get(kind, 0) + bool(pair["is_match"])
        near_by.setdefault(kind, []).extend([] if pair["is_match"] else [pair["tries"]])
    chance = [
        {"suspicion": kind[0], "ratio": kind[1], "matches": matches[kind], "near_by": len(near_by[kind]),
         "expected_by_chance": expected_by_chance(near_by[kind]),
         "note": "" if near_by[kind] else _ALONE}
        for kind in sorted(matches, key=lambda kind: kind[1])
    ]  # fmt: skip
    counted = {(row["suspicion"], row["ratio"]): row for row in chance}
    kept = [
        {name: (pair | counted[pair["suspicion"], pair["ratio"]]).get(name) for name in _SLIPS.names}
        for pair in pairs
        if pair["is_match"]
    ]
    return pa.Table.from_pylist(kept, schema=_SLIPS), pa.Table.from_pylist(chance, schema=_CHANCE)
