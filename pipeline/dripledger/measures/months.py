"""Calendar months of a facility: their names on the command line and their instants."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from dripledger.errors import UsageError

_MONTH = re.compile(r"^(\d{4})-(0[1-9]|1[0-2])$")
#: Instants that can be computed with (domain: 1900-2300).
_FIRST_YEAR, _LAST_YEAR = 1900, 2299


@dataclass(frozen=True, slots=True, order=True)
class Month:
    """One calendar month.

    Parameters
    ----------
    year, number
        Such as 2026 and 10.
    """

    year: int
    number: int

    def __str__(self) -> str:
        return f"{self.year:04d}-{self.number:02d}"

    def plus(self, months: int) -> Month:
        """Return the month that many months later (earlier, if negative)."""
        index = self.year * 12 + self.number - 1 + months
        return Month(index // 12, index % 12 + 1)

    def minus(self, other: Month) -> int:
        """Return how many months it is after another one."""
        return (self.year - other.year) * 12 + self.number - other.number

    @property
    def begins_local(self) -> datetime:
        """Local midnight of its first, without zone."""
        return datetime(self.year, self.number, 1)

    def begins_at(self, zone: ZoneInfo) -> datetime:
        """Return the instant of local midnight of its first, UTC.

        Where that midnight occurs twice it is the earlier one; where it does not exist, the instant of the
        change.
        """
        return self.begins_local.replace(tzinfo=zone).astimezone(UTC)


def month_of(at: datetime, zone: ZoneInfo) -> Month:
    """Return the local month of an instant."""
    local = at.astimezone(zone)
    return Month(local.year, local.month)


def parse_month(text: str, *, committed_at: datetime | None, zone: ZoneInfo, where: str = "--month") -> Month:
    """Read a month as it is written on the command line.

    Parameters
    ----------
    text
        ``2026-10``, ``last`` or ``this``.
    committed_at
        When the store version that is read was committed; ``this`` is the local month of that instant and
        ``last`` the one before it, so that the same version always means the same month.
    zone
        The facility's time zone.
    where
        The option that it stands after.

    Raises
    ------
    UsageError
        If the text is no month, or ``last`` or ``this`` while nothing has been committed.
    """
    text = text.strip()
    if text in ("last", "this"):
        if committed_at is None:
            raise UsageError(
                f"{text!r} is counted from the newest commit, and nothing has been committed yet",
                where=where,
                do="Run 'dripledger ingest' first, or write the month as 2026-10",
            )
        return month_of(committed_at, zone).plus(-1 if text == "last" else 0)
    match = _MONTH.match(text)
    if match is None or not _FIRST_YEAR <= int(match[1]) <= _LAST_YEAR:
        raise UsageError(f"{text!r} is no month", where=where, do="Write it as 2026-10, or say last or this")
    return Month(int(match[1]), int(match[2]))


def month_range(first: Month, last: Month) -> list[Month]:
    """Return all months from the first to the last.

    Raises
    ------
    UsageError
        If the last is before the first.
    """
    if last < first:
        raise UsageError(f"{last} is before {first}", where="--to", do="Give the earlier month first")
    return [first.plus(i) for i in range(last.minus(first) + 1)]


def as_months(months: Sequence[str | Month]) -> list[Month]:
    """Return months sorted, each once; texts must be YYYY-MM."""
    made = {
        m if isinstance(m, Month) else parse_month(m, committed_at=None, zone=ZoneInfo("UTC")) for m in months
    }
    return sorted(made)
