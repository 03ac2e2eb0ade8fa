"""Rows of a drug library as a person wrote them: what can be read, and every fault with its place."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from dripledger.errors import ConfigurationError
from dripledger.library.workbook import read_workbook
from dripledger.lists import Line, read_list
from dripledger.schema.codes import LIMIT_QUANTITIES
from dripledger.schema.units import UNITS, normalise_unit

REQUIRED: Final = ("version", "care_area", "entry", "quantity")
OPTIONAL: Final = (
    "published_at",
    "concentration_value",
    "concentration_unit",
    "dosing_unit",
    "hard_low",
    "soft_low",
    "soft_high",
    "hard_high",
    "weight_min_kg",
    "weight_max_kg",
)
#: The four limits of a row in the order in which they must go up.
LIMITS: Final = ("hard_low", "soft_low", "soft_high", "hard_high")
#: Short names of quantities that libraries use.
_QUANTITIES: Final = {"dose": "dose_rate", "rate": "flow_rate"}
#: Units of quantities that do not depend on the entry.
_OWN_UNITS: Final = {"flow_rate": "mL/h", "volume": "mL", "duration": "s", "weight": "kg"}


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One row: the limits of one entry at one concentration on one quantity, for one band of weights.

    `limit_unit` is the UCUM unit of the four limits; None where the row does not say enough to tell.
    """

    file: str
    number: int
    version: str
    published_at: datetime | None
    care_area: str
    entry: str
    concentration_value: float | None
    concentration_unit: str | None
    dosing_unit: str | None
    quantity: str
    hard_low: float | None
    soft_low: float | None
    soft_high: float | None
    hard_high: float | None
    weight_min_kg: float | None
    weight_max_kg: float | None

    @property
    def limits(self) -> dict[str, float]:
        """The limits that are set, by name."""
        values = {name: getattr(self, name) for name in LIMITS}
        return {name: value for name, value in values.items() if value is not None}

    @property
    def limited_quantity(self) -> str:
        """The quantity by its canonical name; as written where there is none."""
        return _QUANTITIES.get(self.quantity, self.quantity)

    @property
    def limit_unit(self) -> str | None:
        """UCUM unit of the limits."""
        return limit_unit(self.limited_quantity, self.dosing_unit, self.concentration_unit)

    @property
    def concentration(self) -> str:
        """The concentration as text; empty where the row is for every one."""
        if self.concentration_value is None:
            return ""
        return f"{self.concentration_value:g} {self.concentration_unit or ''}".strip()

    @property
    def strength(self) -> tuple[str, float] | None:
        """The concentration in base units, to six digits, so that 1 mg/mL is 1 g/L; None: for every one."""
        if self.concentration_value is None:
            return None
        unit = UNITS.get(self.concentration_unit or "")
        if unit is None:
            return "", six_digits(self.concentration_value)
        return unit.dimension, six_digits(self.concentration_value * unit.to_base)

    @property
    def weights(self) -> str:
        """The band of weights as text; empty where the row is for every weight."""
        if self.weight_min_kg is None and self.weight_max_kg is None:
            return ""
        low = "" if self.weight_min_kg is None else f"{self.weight_min_kg:g}"
        high = "" if self.weight_max_kg is None else f"{self.weight_max_kg:g}"
        return f"{low}-{high} kg"


@dataclass(frozen=True, slots=True)
class Problem:
    """Why a row, or a cell of it, cannot be used."""

    check: str
    error: ConfigurationError
    care_area: str = ""
    entry: str = ""


@dataclass(slots=True)
class Reading:
    """What one file or several gave."""

    rows: list[LimitRow] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def six_digits(value: float) -> float:
    """Round to six significant digits, as values are before they are compared (ruling 48)."""
    return float(f"{value:.5e}")


def limit_unit(quantity: str, dosing_unit: str | None, concentration_unit: str | None) -> str | None:
    """Return the unit that the limits of a row are in.

    Parameters
    ----------
    quantity
        One of `schema.codes.LIMIT_QUANTITIES`.
    dosing_unit, concentration_unit
        UCUM units of the row.

    Returns
    -------
    str or None
        The dosing unit for a dose rate; its amount for a bolus dose; the concentration's unit for a
        concentration; else the quantity's own (mL/h, mL, s, kg), unless the dosing unit is one for that
        quantity. For a change of rate: the dosing unit, else mL/h. None where it cannot be told.
    """
    dosing = UNITS.get(dosing_unit or "")
    if quantity == "concentration":
        return concentration_unit
    if quantity == "dose_rate":
        return dosing_unit if dosing is not None and _is_rate(dosing_unit) else None
    if quantity == "bolus_dose":
        if dosing is None:
            return None
        return dosing.amount_code if _is_rate(dosing_unit) else dosing.code
    if quantity == "rate_change":
        return dosing_unit or "mL/h"
    own = _OWN_UNITS.get(quantity)
    if own is None:
        return None
    if dosing is not None and dosing.shape == UNITS[own].shape:
        return dosing.code
    return own


def _is_rate(code: str | None) -> bool:
    unit = UNITS.get(code or "")
    return unit is not None and unit.per_time_s is not None and unit.per_volume_ml is None


def read_library(path: Path, zone: ZoneInfo) -> Reading:
    """Read one library file.

    Parameters
    ----------
    path
        A CSV file (UTF-8, comma) or a workbook (.xlsx, .ods: its first sheet), one row a version, care area,
        entry, concentration, quantity and band of weights.
    zone
        Zone of publication times without an offset.

    Returns
    -------
    Reading
        Rows that can be read, and what is wrong with the others or with single cells.

    Raises
    ------
    ConfigurationError
        If the file cannot be read at all, or has not the columns of a library.
    """
    reading = Reading()
    for line in _lines(path):
        _read_row(line, zone, reading)
    return reading


def _lines(path: Path) -> Iterator[Line]:
    if path.suffix.lower() in (".xlsx", ".ods"):
        return read_workbook(path, REQUIRED, OPTIONAL)
    return read_list(path, REQUIRED, OPTIONAL)


def _read_row(line: Line, zone: ZoneInfo, reading: Reading) -> None:
    area, entry = line.text("care_area") or "", line.text("entry") or ""
    wrong: list[Problem] = []

    def note(check: str, error: ConfigurationError) -> None:
        wrong.append(Problem(check, error, area, entry))

    def number(column: str) -> float | None:
        text = line.text(column)
        if text is None:
            return None
        try:
            value = line.number_of(column)
        except ConfigurationError as error:
            note("no_number", error)
            return None
        if not math.isfinite(value) or "_" in text:
            note("no_number", line.wrong(column, f"{text!r} is no number"))
            return None
        return float(value)

    def unit(column: str) -> str | None:
        text = line.text(column)
        code = None if text is None else normalise_unit(text)
        if text is not None and code is None:
            note(
                "unknown_unit",
                line.wrong(column, f"{text!r} is no unit that is known here; write a UCUM code"),
            )
        return code

    def needed(column: str) -> str:
        try:
            return line.need(column)
        except ConfigurationError as error:
            note("empty", error)
            return ""

    limits = {name: number(name) for name in LIMITS}
    for check, error in _out_of_order(line, limits):
        note(check, error)
    concentration = number("concentration_value")
    if concentration is not None and concentration <= 0:
        note("no_concentration", line.wrong("concentration_value", "is not above zero"))
    lightest, heaviest = number("weight_min_kg"), number("weight_max_kg")
    if lightest is not None and heaviest is not None and lightest > heaviest:
        note("weights_out_of_order", line.wrong("weight_max_kg", "is below weight_min_kg"))
    published = None
    text = line.text("published_at")
    if text is not None:
        try:
            published = _instant(line, text, zone)
        except ConfigurationError as error:
            note("no_time", error)
    row = LimitRow(
        file=line.path.name,
        number=line.number,
        version=needed("version"),
        published_at=published,
        care_area=needed("care_area"),
        entry=needed("entry"),
        concentration_value=concentration,
        concentration_unit=unit("concentration_unit"),
        dosing_unit=unit("dosing_unit"),
        quantity=needed("quantity"),
        **limits,
        weight_min_kg=lightest,
        weight_max_kg=heaviest,
    )
    reading.problems += wrong
    # limits in a wrong order can still be looked at; a cell that cannot be read leaves nothing to compare
    if not any(problem.check in ("no_number", "unknown_unit", "empty") for problem in wrong):
        reading.rows.append(row)


def _out_of_order(line: Line, limits: dict[str, float | None]) -> Iterable[tuple[str, ConfigurationError]]:
    given = [(name, value) for name, value in limits.items() if value is not None]
    for (low, a), (high, b) in itertools.pairwise(given):
        if a > b:
            yield (
                "limits_out_of_order",
                line.wrong(
                    high,
                    f"{high} ({b:g}) is below {low} ({a:g}); limits go up in the order {', '.join(LIMITS)}",
                ),
            )


def _instant(line: Line, text: str, zone: ZoneInfo) -> datetime:
    try:
        if len(text) == 10:
            day = date.fromisoformat(text)
            read = datetime(day.year, day.month, day.day)
        else:
            read = datetime.fromisoformat(text)
    except ValueError:
        raise line.wrong("published_at", f"{text!r} is no time; write it as 2026-10-31 14:05") from None
    return (read if read.tzinfo is not None else read.replace(tzinfo=zone)).astimezone(UTC)


def known_quantity(row: LimitRow) -> bool:
    """Whether the row's quantity is one that a pump can be limited on."""
    return row.limited_quantity in LIMIT_QUANTITIES
