"""Units of rates, doses, amounts and volumes: UCUM codes, the trade's spellings, and their factors.

The codes are those of UCUM (the Unified Code for Units of Measure, ucum.org); the spellings are common
practice, no source. An arbitrary unit such as ``[IU]`` is a dimension of its own: it never becomes a mass,
because what one unit weighs depends on the drug. Nor does ``meq`` become ``mmol``: that needs the charge.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import duckdb
import pyarrow as pa

__all__ = ["UNITS", "Unit", "convert", "normalise_unit", "register_units"]


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit.

    Parameters
    ----------
    code
        Its UCUM code, in the one form that the ledger keeps: quantity, then body, then volume or time.
    dimension
        Dimension of the numerator: mass (base g), arbitrary ([IU]), amount (mmol), charge (meq), volume (mL),
        energy (kcal), drops, time (s), length (cm), area (m2), pressure (kPa), fraction (1).
    factor
        One numerator in the dimension's base unit.
    amount_code
        Code of the numerator alone: what is left when a dose rate is integrated over time.
    per_kg, per_m2
        Whether it is per kilogram of patient weight, per square metre of body surface.
    per_volume_ml
        Millilitres in the denominator (a concentration), else None.
    per_time_s
        Seconds in the denominator (a rate), else None.
    """

    code: str
    dimension: str
    factor: float
    amount_code: str
    per_kg: bool = False
    per_m2: bool = False
    per_volume_ml: float | None = None
    per_time_s: float | None = None

    @property
    def shape(self) -> tuple[str, bool, bool, bool, bool]:
        """What must agree for two units to be convertible into each other."""
        return (
            self.dimension,
            self.per_kg,
            self.per_m2,
            self.per_volume_ml is not None,
            self.per_time_s is not None,
        )

    @property
    def to_base(self) -> float:
        """One of this unit in base units per millilitre or per second."""
        return self.factor / (self.per_volume_ml or 1.0) / (self.per_time_s or 1.0)


# code -> (dimension, factor to base). Factors are exact by definition (SI prefixes; international pound).
_NUMERATORS: Final[dict[str, tuple[str, float]]] = {
    "kg": ("mass", 1e3), "g": ("mass", 1.0), "mg": ("mass", 1e-3), "ug": ("mass", 1e-6),
    "ng": ("mass", 1e-9), "pg": ("mass", 1e-12), "[lb_av]": ("mass", 453.59237),
    "[IU]": ("arbitrary", 1.0), "k[IU]": ("arbitrary", 1e3), "m[IU]": ("arbitrary", 1e-3),
    "u[IU]": ("arbitrary", 1e-6), "10*6.[IU]": ("arbitrary", 1e6),
    "mol": ("amount", 1e3), "mmol": ("amount", 1.0), "umol": ("amount", 1e-3), "nmol": ("amount", 1e-6),
    "eq": ("charge", 1e3), "meq": ("charge", 1.0), "ueq": ("charge", 1e-3),
    "mL": ("volume", 1.0), "L": ("volume", 1e3), "dL": ("volume", 1e2), "uL": ("volume", 1e-3),
    "kcal": ("energy", 1.0), "[drp]": ("drops", 1.0),
}  # fmt: skip
_VOLUMES: Final = {"mL": 1.0, "L": 1e3, "dL": 1e2, "uL": 1e-3}
_TIMES: Final = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "wk": 604800.0}
_PLAIN: Final[dict[str, tuple[str, float]]] = {
    "cm": ("length", 1.0), "m": ("length", 1e2), "mm": ("length", 0.1), "[in_i]": ("length", 2.54),
    "m2": ("area", 1.0), "kPa": ("pressure", 1.0), "mbar": ("pressure", 0.1), "bar": ("pressure", 1e2),
    "mm[Hg]": ("pressure", 0.133322387415), "[psi]": ("pressure", 6.894757293168),
    "%": ("fraction", 0.01), "1": ("fraction", 1.0), "ms": ("time", 1e-3),
}  # fmt: skip
_BODIES: Final[dict[str, tuple[bool, bool]]] = {"kg": (True, False), "m2": (False, True)}


def _all_units() -> Iterable[Unit]:
    for code, (dimension, factor) in _NUMERATORS.items():
        for body, (per_kg, per_m2) in {"": (False, False), **_BODIES}.items():
            stem = f"{code}/{body}" if body else code
            yield Unit(stem, dimension, factor, code, per_kg, per_m2)
            for name, seconds in _TIMES.items():
                yield Unit(f"{stem}/{name}", dimension, factor, code, per_kg, per_m2, None, seconds)
        for name, millilitres in _VOLUMES.items():
            yield Unit(f"{code}/{name}", dimension, factor, code, per_volume_ml=millilitres)
    for code, seconds in _TIMES.items():
        yield Unit(code, "time", seconds, code)
    for code, (dimension, factor) in _PLAIN.items():
        yield Unit(code, dimension, factor, code)


#: UCUM code -> Unit
UNITS: Final[dict[str, Unit]] = {unit.code: unit for unit in _all_units()}

# Spellings of the trade (common practice, no source), compared without case where that is unambiguous.
_SPELLINGS: Final[dict[str, tuple[str, ...]]] = {
    "kg": ("kilogram", "kilograms", "kgs", "kilo", "kilos"),
    "g": ("gram", "grams", "gm", "gms", "gramme", "grammes"),
    "mg": ("milligram", "milligrams", "mgs", "milligramme", "milligrammes"),
    "ug": ("mcg", "mcgs", "microgram", "micrograms", "microg", "mikrogramm", "\u00b5g", "\u03bcg"),
    "ng": ("nanogram", "nanograms", "nanog"),
    "[lb_av]": ("lb", "lbs", "pound", "pounds"),
    "[IU]": ("iu", "unit", "units", "u", "int unit", "[iu]", "ie", "usp units", "usp unit"),
    "k[IU]": ("kiu", "ku", "kunit", "kunits", "k[iu]"),
    "m[IU]": ("milliunit", "milliunits"),
    "u[IU]": ("microunit", "microunits", "u[iu]"),
    "10*6.[IU]": ("million units", "megaunit", "megaunits"),
    "mol": ("mole", "moles"),
    "mmol": ("millimole", "millimoles", "mmols"),
    "umol": ("micromole", "micromoles", "\u00b5mol", "\u03bcmol", "mcmol"),
    "nmol": ("nanomole", "nanomoles"),
    "eq": ("equivalent", "equivalents"),
    "meq": ("meqs", "milliequivalent", "milliequivalents"),
    "ueq": ("\u00b5eq", "\u03bceq"),
    "mL": ("ml", "mls", "cc", "ccm", "cm3", "milliliter", "milliliters", "millilitre", "millilitres"),
    "L": ("l", "liter", "liters", "litre", "litres"),
    "dL": ("dl", "deciliter", "decilitre"),
    "uL": ("ul", "\u00b5l", "\u03bcl", "microliter", "microlitre"),
    "kcal": ("[cal]k", "kilocalorie", "kilocalories"),
    "[drp]": ("gtt", "gtts", "drop", "drops"),
    "s": ("sec", "secs", "second", "seconds"),
    "min": ("mins", "minute", "minutes"),
    "h": ("hr", "hrs", "hour", "hours", "std"),
    "d": ("day", "days", "24h", "24hr", "24hrs", "24 h", "24 hours"),
    "wk": ("week", "weeks"),
    "m2": ("m\u00b2", "sqm", "sq m", "m^2"),
    "[in_i]": ("in", "inch", "inches"),
    "mm[Hg]": ("mmhg", "mm hg"),
    "[psi]": ("psi",),
    "%": ("percent", "pct"),
}


def _spelling_table() -> dict[str, str]:
    table: dict[str, str] = {}
    for code, spellings in _SPELLINGS.items():
        table.update({spelling.casefold(): code for spelling in spellings})
    for code in (*_NUMERATORS, *_TIMES, *_PLAIN):
        if code not in _CASE_MATTERS:
            table.setdefault(code.casefold(), code)
    return table


# Codes and spellings that mean something else in other letters: "MU" may be a million units or a thousandth
# of one, so it is not known; "M" is molar, "S" siemens.
_CASE_MATTERS: Final = {"m", "ms", "m[IU]"}
_BY_SPELLING: Final = _spelling_table()
_EXACT: Final = {
    **{code: code for code in (*_NUMERATORS, *_TIMES, *_PLAIN)},
    **dict.fromkeys(("mU", "mIU", "mu", "miu"), "m[IU]"),
}
_PER = re.compile(r"\s*/\s*|\s+per\s+", re.IGNORECASE)
_POWER = re.compile(r"(?<=[A-Za-z\]²])(?:\^?-1|⁻¹)")


def _component(text: str) -> str | None:
    word = re.sub(r"\s+", " ", text.strip()).rstrip(".")
    return _EXACT.get(word) or _BY_SPELLING.get(word.casefold())


@lru_cache(maxsize=4096)
def normalise_unit(text: str) -> str | None:
    """Return the UCUM code that a spelling stands for, or None where it is not known.

    Parameters
    ----------
    text
        A unit as a log writes it: ``"mcg/kg/min"``, ``"Units/hr"``, ``"mEq."``, ``"mg.kg-1.h-1"``.

    Returns
    -------
    str or None
        A key of `UNITS`. A denominator in another order is put right (``ug/min/kg`` is ``ug/kg/min``).
    """
    if text in UNITS:
        return text
    raw = text.strip()
    if _POWER.search(raw):
        pieces = re.split(r"[.\s·*]+(?!\[)", raw)
        raw = "/".join(_POWER.sub("", piece) for piece in pieces if piece)
    parts = [_component(piece) for piece in _PER.split(raw)]
    if any(part is None for part in parts):
        return None
    head, *rest = [part for part in parts if part is not None]
    bodies = [part for part in rest if part in _BODIES]
    others = [part for part in rest if part in _TIMES or part in _VOLUMES]
    if len(bodies) + len(others) != len(rest):
        return None
    code = "/".join([head, *bodies, *others])
    return code if code in UNITS else None


def convert(value: float, from_code: str, to_code: str) -> float | None:
    """Convert a value between two UCUM codes; None where they measure different things.

    Parameters
    ----------
    value
        The value in `from_code`.
    from_code, to_code
        Keys of `UNITS`.

    Returns
    -------
    float or None
        The value in `to_code`; None if a code is unknown, or mass would have to become units, and the like.
    """
    old, new = UNITS.get(from_code), UNITS.get(to_code)
    if old is None or new is None or old.shape != new.shape:
        return None
    if from_code == to_code:
        return value
    return value * old.to_base / new.to_base


def register_units(con: duckdb.DuckDBPyConnection) -> None:
    """Make the temporary table ``units``: one row a UCUM code, the fields of `Unit` as columns."""
    units = list(UNITS.values())
    columns: dict[str, pa.Array] = {
        "code": pa.array([u.code for u in units], pa.string()),
        "dimension": pa.array([u.dimension for u in units], pa.string()),
        "factor": pa.array([u.factor for u in units], pa.float64()),
        "amount_code": pa.array([u.amount_code for u in units], pa.string()),
        "per_kg": pa.array([u.per_kg for u in units], pa.bool_()),
        "per_m2": pa.array([u.per_m2 for u in units], pa.bool_()),
        "per_volume_ml": pa.array([u.per_volume_ml for u in units], pa.float64()),
        "per_time_s": pa.array([u.per_time_s for u in units], pa.float64()),
    }
    con.register("_units_arrow", pa.table(columns))
    con.execute("create or replace temp table units as select * from _units_arrow")
    con.unregister("_units_arrow")
