"""How numbers and names are written for people."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

MONTH_NAMES = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
#: Narrow no-break space: groups digits whatever the decimal sign, and stands before the per cent sign.
THIN = "\u202f"


def whole(amount: int) -> str:
    """Return a whole number, its digits in threes from five digits on."""
    text = str(abs(amount))
    if len(text) > 4:
        text = f"{abs(amount):,}".replace(",", THIN)
    return f"-{text}" if amount < 0 else text


def amount(value: Decimal, decimal: str) -> str:
    """Return counts without a fraction, and hours with one place."""
    if value == value.to_integral_value():
        return whole(int(value))
    rounded = value.quantize(Decimal("0.1"))
    head, _, tail = format(rounded, "f").partition(".")
    return f"{whole(int(head))}{decimal}{tail}"


def percent(share: float, decimal: str) -> str:
    """Return a percentage that never rounds some to none, or nearly all to all."""
    if 0 < share < 0.0005:
        return f"under 0{decimal}1{THIN}%"
    if 0.9995 <= share < 1:
        return f"over 99{decimal}9{THIN}%"
    return f"{points(share, decimal)}{THIN}%"


def points(share: float, decimal: str) -> str:
    """Return a share as percentage points with one place, without the sign.

    0 and 100 stand bare, and only for exactly none and all.
    """
    if share in (0, 1):
        return str(int(share * 100))
    if share < 0.0005:
        return f"<0{decimal}1"
    if share >= 0.9995:
        return f">99{decimal}9"
    return f"{100 * share:.1f}".replace(".", decimal)


def month_name(month: str) -> str:
    """Return '2026-10' as 'October 2026'."""
    year, number = month.split("-")
    return f"{MONTH_NAMES[int(number) - 1]} {year}"


def as_words(name: str) -> str:
    """Return a name in code, as of a check, as it is said."""
    return name.replace("_", " ")


def plural(count: int, one: str, many: str | None = None) -> str:
    """Return the word that goes with the count."""
    return one if count == 1 else (many or f"{one}s")


def shorten(names: Sequence[str], most: int = 8) -> tuple[tuple[str, ...], str]:
    """Return the first names and a word on how many more there are."""
    left = len(names) - most
    return tuple(names[:most]), f"and {whole(left)} more" if left > 0 else ""


def rate(value: float, decimal: str) -> str:
    """Return a rate with two places below 1, one below 100, else none; some is never shown as none."""
    if value == 0:
        return "0"
    if value < 0.005:
        return f"under 0{decimal}01"
    places = 2 if value < 1 else 1 if value < 100 else 0
    return f"{value:.{places}f}".replace(".", decimal) if places else whole(round(value))


def duration(seconds: float, decimal: str, minutes_from_s: int = 120) -> str:
    """Return seconds, from two minutes on minutes and seconds, from two hours on hours and minutes."""
    if seconds < minutes_from_s:
        return f"{seconds:.3g} s".replace(".", decimal)
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 120:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def durations(low: float, high: float, decimal: str) -> str:
    """Return from how long to how long; both in minutes where the longer one is, and the other can be."""
    return f"{duration(low, decimal, 60 if high >= 120 else 120)} to {duration(high, decimal)}"


def number(value: float | None, decimal: str) -> str:
    """Return a value as logged, with at most six digits that say something; nothing for none."""
    return "" if value is None else f"{value:.6g}".replace(".", decimal)
