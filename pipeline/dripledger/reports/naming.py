"""File names for what a log or a list has named, and days as the site writes them."""

from __future__ import annotations

import hashlib
import re
from datetime import date

from dripledger.reports.words import MONTH_NAMES

_PLAIN = re.compile(r"[^a-z0-9]+")


def slug(name: str) -> str:
    """Return a short name that is safe as a file and tells apart whatever names there are.

    A name that does not survive as it is carries a digest, so that 'A/B' and 'A B' are two files.
    """
    plain = _PLAIN.sub("-", name.casefold()).strip("-")[:40].strip("-")
    if plain == name.replace(" ", "-").casefold() and plain:
        return plain
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{plain}-{digest}" if plain else digest


def day(when: date, form: str) -> str:
    """Return a day in the site's form."""
    if form == "year_first":
        return when.isoformat()
    short = MONTH_NAMES[when.month - 1][:3]
    return f"{when.day} {short} {when.year}" if form == "day_first" else f"{short} {when.day}, {when.year}"


def short_month(month: str) -> str:
    """Return '2026-10' as 'Oct 2026'."""
    year, number = month.split("-")
    return f"{MONTH_NAMES[int(number) - 1][:3]} {year}"


def cut(text: str, most: int) -> str:
    """Return a text that fits a label, its end replaced where it is longer."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"
