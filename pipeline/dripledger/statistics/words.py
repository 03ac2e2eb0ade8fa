"""How names of months and areas are put into a sentence."""

from __future__ import annotations

from collections.abc import Sequence


def listed(names: Sequence[str]) -> str:
    """Return 'a', 'a and b' or 'a, b and c'; months of one year name it once, at the end.

    >>> listed(["March 2026", "April 2026"])
    'March and April 2026'
    >>> listed(["December 2025", "January 2026"])
    'December 2025 and January 2026'
    """
    short = [*_without_shared_year(names[:-1], names[1:]), *names[-1:]]
    return short[0] if len(short) == 1 else f"{', '.join(short[:-1])} and {short[-1]}"


def span(first: str, last: str) -> str:
    """Return 'from March to September 2026', the year once where both share it."""
    return f"from {_without_shared_year([first], [last])[0]} to {last}"


def _without_shared_year(names: Sequence[str], following: Sequence[str]) -> list[str]:
    """Drop the year of a name whose follower has the same one."""
    short = []
    for name, after in zip(names, following, strict=True):
        head, _, year = name.rpartition(" ")
        same = bool(head) and len(year) == 4 and year.isdigit() and after.endswith(f" {year}")
        short.append(head if same else name)
    return short
