"""Units of a library row that can hold together: dose and concentration of one kind, time where due."""

from __future__ import annotations

from collections.abc import Iterator

from dripledger.library.findings import Finding
from dripledger.library.rows import LimitRow
from dripledger.schema.units import UNITS


def unit_findings(row: LimitRow) -> Iterator[Finding]:
    """Yield what cannot be in the units of one row."""

    def error(check: str, text: str) -> Finding:
        return Finding("error", check, row.file, row.number, row.care_area, row.entry, text)

    dosing, strength = UNITS.get(row.dosing_unit or ""), UNITS.get(row.concentration_unit or "")
    quantity = row.limited_quantity
    if strength is not None and strength.per_volume_ml is None:
        yield error("unit_cannot_hold", f"{strength.code!r} is no concentration: it has no volume below")
        strength = None
    if row.concentration_value is not None and row.concentration_unit is None:
        yield error("unit_missing", "a concentration without a unit")
    if quantity in ("dose_rate", "bolus_dose") and dosing is None and row.limits:
        yield error("unit_missing", f"limits on {quantity} need a dosing unit")
    if dosing is None:
        return
    if dosing.per_volume_ml is not None:
        yield error("unit_cannot_hold", f"{dosing.code!r} is a concentration, and no unit to dose in")
        return
    if quantity == "dose_rate" and dosing.per_time_s is None:
        yield error("unit_cannot_hold", f"{dosing.code!r} is no dose rate: it has no time below")
    if strength is not None and dosing.dimension not in (strength.dimension, "volume", "time"):
        yield error(
            "unit_cannot_hold",
            f"a dose in {dosing.code!r} and a concentration in {strength.code!r} measure different things",
        )
    if (row.weight_min_kg is not None or row.weight_max_kg is not None) and dosing.per_m2:
        yield Finding(
            "note",
            "band_of_weights",
            row.file,
            row.number,
            row.care_area,
            row.entry,
            "a band of weights on a dose per body surface",
        )
