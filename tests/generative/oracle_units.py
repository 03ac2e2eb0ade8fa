"""Unit arithmetic of the attempts' oracle: a few UCUM units, multiplied out by hand."""

from __future__ import annotations

#: unit -> (what it measures, how many base units it is)
_BASE: dict[str, tuple[str, float]] = {
    "ng": ("mass", 1e-3), "ug": ("mass", 1.0), "mg": ("mass", 1e3), "g": ("mass", 1e6), "kg": ("mass", 1e9),
    "[IU]": ("units", 1.0), "m[IU]": ("units", 1e-3), "k[IU]": ("units", 1e3),
    "umol": ("amount", 1e-3), "mmol": ("amount", 1.0), "mol": ("amount", 1e3),
    "mL": ("volume", 1.0), "L": ("volume", 1e3),
    "s": ("time", 1.0), "min": ("time", 60.0), "h": ("time", 3600.0), "d": ("time", 86400.0),
    "m2": ("surface", 1.0),
}  # fmt: skip


def _split(unit: str) -> tuple[tuple[str, ...], tuple[str, ...], float] | None:
    """Return what stands above, what stands below the stroke, and the factor to base units."""
    above, *below = unit.split("/")
    if above not in _BASE or any(b not in _BASE for b in below):
        return None
    factor = _BASE[above][1]
    names = []
    for b in below:
        if b == "kg":  # below the stroke, a kilogram is body weight
            names.append("body")
        else:
            factor /= _BASE[b][1]
            names.append(_BASE[b][0])
    return (_BASE[above][0],), tuple(sorted(names)), factor


def convert(
    value: float | None, unit: str | None, to: str | None, weight_kg: float | None = None
) -> float | None:
    """Return `value` in the unit `to`, null where it cannot be said; the weight bridges 'per kg'."""
    if value is None:
        return None
    if unit == to:
        return value
    if unit is None or to is None:
        return None
    a, b = _split(unit), _split(to)
    if a is None or b is None or a[0] != b[0]:
        return None
    value = value * a[2] / b[2]
    if a[1] == b[1]:
        return value
    if not weight_kg:
        return None
    if sorted([*a[1], "body"]) == list(b[1]):
        return value / weight_kg
    if sorted([*b[1], "body"]) == list(a[1]):
        return value * weight_kg
    return None


def six(value: float) -> float:
    """Round to six significant digits."""
    return float(f"{value:.6g}")


def same(a: float | None, b: float | None) -> bool:
    """Whether two known values are equal to six significant digits."""
    return a is not None and b is not None and six(a) == six(b)
