"""Which limits of the drug library were in force, from the library version that the pump held."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final

Row = dict[str, Any]

#: Quantities whose limits stand in a unit of their own; all others are in the row's dosing unit.
_UNITS: Final = {"flow_rate": "mL/h", "rate": "mL/h", "volume": "mL", "duration": "s", "weight": "kg"}
LIMITS: Final = ("hard_low", "soft_low", "soft_high", "hard_high")


def limits_for(segment: Row, libraries: Sequence[Row]) -> list[Row]:
    """Return the library rows that were in force in a stretch, sorted by quantity.

    Parameters
    ----------
    segment
        A row of `segments`.
    libraries
        Rows of `libraries`.

    Returns
    -------
    list of dict
        Empty where the version or the entry is not known, no file of that version is at hand, or the channel
        ran outside the library.
    """
    if segment["library_version"] is None or segment["entry"] in (None, "unmapped"):
        return []
    if segment["library_use"] == "bypassed":
        return []
    found = [row for row in libraries if _fits(segment, row)]
    return sorted(found, key=lambda r: (str(r["limit_quantity"]), r["weight_min_kg"] or 0.0))


def _fits(segment: Row, row: Row) -> bool:
    if row["library_version"] != segment["library_version"] or row["entry"] != segment["entry"]:
        return False
    if row["care_area"] is not None and row["care_area"] != segment["care_area"]:
        return False
    strength = segment["concentration_value"]
    if row["concentration_value"] is not None and strength is not None:
        same_unit = (row["concentration_unit"] or "") == (segment["concentration_unit"] or "")
        if not same_unit or not math.isclose(row["concentration_value"], strength, rel_tol=1e-6):
            return False
    weight = segment["weight_kg"]
    if weight is not None:
        if row["weight_min_kg"] is not None and weight < row["weight_min_kg"]:
            return False
        if row["weight_max_kg"] is not None and weight > row["weight_max_kg"]:
            return False
    return True


def unit_of(row: Row) -> str:
    """Return the unit that a library row's limits stand in."""
    return _UNITS.get(str(row["limit_quantity"])) or str(row["dosing_unit"] or "")


def limits_text(rows: Iterable[Row]) -> str:
    """Return limits in words: ``dose_rate: soft 2 to 10, hard 1 to 20 mg/h``."""
    told = []
    for row in rows:
        parts = []
        for kind in ("soft", "hard"):
            low, high = row[f"{kind}_low"], row[f"{kind}_high"]
            if low is None and high is None:
                continue
            span = f"{_number(low)} to {_number(high)}" if low is not None and high is not None else (
                f"up to {_number(high)}" if high is not None else f"from {_number(low)}"
            )  # fmt: skip
            parts.append(f"{kind} {span}")
        if parts:
            quantity = str(row["limit_quantity"]).replace("_", " ")
            told.append(f"{quantity}: {', '.join(parts)} {unit_of(row)}".rstrip())
    return "; ".join(told)


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"
