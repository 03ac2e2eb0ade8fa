"""Moments as a person writes them: local to the facility unless they carry an offset."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from dripledger.errors import UsageError

#: The years that an event can lie in (domain: what can be computed with).
_FIRST_YEAR, _LAST_YEAR = 1900, 2300


def parse_moment(text: str, zone: ZoneInfo, where: str) -> datetime:
    """Read a moment.

    Parameters
    ----------
    text
        ``2026-10-25 01:30``, ``2026-10-25T01:30:00+01:00`` or ``2026-10-25`` (its midnight).
    zone
        The facility's zone, for a text without an offset.
    where
        The option, for a message.

    Returns
    -------
    datetime
        The instant, UTC.

    Raises
    ------
    UsageError
        If it is no time, lies in the repeated hour without an offset (the message names both), or in the
        hour that the clocks skip.
    """
    try:
        read = datetime.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(
            f"{text!r} is no time", where=where, do="Write it as 2026-10-25T01:30, or with its offset"
        ) from None
    if not _FIRST_YEAR <= read.year < _LAST_YEAR:
        raise UsageError(
            f"{text!r} is outside the years that a log can lie in",
            where=where,
            do=f"Give a time from {_FIRST_YEAR} to {_LAST_YEAR - 1}",
        )
    if read.tzinfo is not None:
        return read.astimezone(UTC)
    first, second = (read.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if first == second:
        return first
    if first.astimezone(zone).replace(tzinfo=None) != read:
        raise UsageError(
            f"{text!r} does not exist in {zone.key}: the clocks go forward over it",
            where=where,
            do="Give another time, or an offset",
        )
    both = " and ".join(moment.astimezone(zone).isoformat() for moment in (first, second))
    raise UsageError(
        f"{text!r} occurs twice in {zone.key}, because the clocks go back",
        where=where,
        do=f"Say which one is meant: {both}",
    )


def local_text(moment: datetime, zone: ZoneInfo) -> str:
    """Return an instant as local time with its offset, fractions of a second only where there are some."""
    return moment.astimezone(zone).isoformat(sep=" ")


def utc_text(moment: datetime) -> str:
    """Return an instant as UTC, ``2026-10-25T00:30:00Z``."""
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat() + "Z"


def seconds_text(seconds: float) -> str:
    """Return a stretch of time in words: ``9 s``, ``47 min``, ``1 h 5 min``."""
    sign = "-" if seconds < 0 else ""
    whole = timedelta(seconds=abs(seconds))
    total = whole.total_seconds()
    if total < 120:
        return f"{sign}{total:.6g} s"
    minutes, rest = divmod(round(total), 60)
    if minutes < 120:
        return f"{sign}{minutes} min" + (f" {rest} s" if rest else "")
    hours, minutes = divmod(round(total / 60), 60)
    return f"{sign}{hours} h" + (f" {minutes} min" if minutes else "")
