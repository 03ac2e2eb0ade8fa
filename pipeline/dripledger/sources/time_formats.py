"""What a declared format of times has to say, so that nothing about a time is guessed."""

from __future__ import annotations

import re
from typing import Final

#: Directives that the reader knows; some may carry a minus sign (no leading zero).
_KNOWN: Final = frozenset("aAbBdfgGHIjmMnpSuUVwWyYz%")
_UNSIGNED: Final = frozenset("aAbBfgGnpuVYz%")
#: Counts of seconds or milliseconds since 1970 began, in UTC.
EPOCHS: Final = {"epoch_s": 1, "epoch_ms": 1000}
#: Forms that are named instead of written as a pattern.
NAMED: Final = ("iso", *EPOCHS)
_DIRECTIVE: Final = re.compile(r"%(-?)(.?)", re.DOTALL)


def directives(pattern: str) -> list[str]:
    """Return the letters of a pattern's directives, in order."""
    return [letter for _, letter in _DIRECTIVE.findall(pattern)]


def check_time_format(pattern: str) -> None:
    """Refuse a pattern that leaves something of a time open.

    Parameters
    ----------
    pattern
        A strptime pattern, such as ``"%d.%m.%Y %H:%M"``.

    Raises
    ------
    ValueError
        With what is missing or not known.
    """
    if "%" not in pattern:
        raise ValueError(f"format {pattern!r} is neither one of {', '.join(NAMED)} nor a strptime pattern")
    for sign, letter in _DIRECTIVE.findall(pattern):
        if letter == "Z":
            raise ValueError(
                f"format {pattern!r} names zones by letters (%Z), which mean different offsets in "
                "different places; "
                "use %z where the text holds offsets, else leave it out and declare the zone"
            )
        if letter not in _KNOWN or (sign and letter in _UNSIGNED):
            raise ValueError(f"format {pattern!r} has %{sign}{letter}, which is no directive of strptime")
    # the offset is read from the end of the text
    if "%z" in pattern and not pattern.rstrip().endswith("%z"):
        raise ValueError(f"format {pattern!r} has its offset (%z) before its end: only at the end is it read")
    named = set(directives(pattern))
    parts = {
        "the year": named & {"y", "Y", "G"},
        "the month": named & {"m", "b", "B", "j"},
        "the day": named & {"d", "j"},
        "the hour": named & {"H", "I"},
    }
    missing = [part for part, found in parts.items() if not found]
    if missing:
        raise ValueError(f"format {pattern!r} does not say {', '.join(missing)}")
    if "I" in named and "p" not in named:
        raise ValueError(f"format {pattern!r} has hours of twelve (%I) without %p: morning or evening?")


def has_short_years(pattern: str) -> bool:
    """Whether a pattern reads years of two digits."""
    return "y" in directives(pattern)
