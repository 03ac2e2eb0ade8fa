"""When things happened: which column (or two) tells the time of an event, and how it is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from dripledger.drafting.moments import TimeReading
from dripledger.drafting.profile import Profile
from dripledger.sources.time_formats import EPOCHS

#: First of the hundred years that a draft takes years of two digits to lie in.
CENTURY_FROM = 1970


@dataclass
class Clock:
    """The times of a log.

    Parameters
    ----------
    columns
        The raw field of the time, or those of date and time of day.
    pattern, zone, resolution_s
        As in the mapping's table `time`.
    score
        How sure, 0 to 1.
    why
        The reasons, for a comment.
    received
        The raw field of the time of receipt, and its pattern.
    short_years
        Whether some pattern has years of two digits.
    assumed
        What the data do not decide.
    notes
        What a person should know.
    """

    columns: tuple[str, ...]
    pattern: str
    zone: str
    resolution_s: float
    score: float
    why: str
    received: tuple[str, str] | None = None
    short_years: bool = False
    assumed: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def find_clock(columns: Mapping[str, Profile]) -> Clock | None:
    """Return the times of a log; None where no column tells date and time of day."""
    timed = {n: p for n, p in columns.items() if p.time is not None and p.personal is None}
    whole = [
        (score, p)
        for p in timed.values()
        if (score := _score(p)) > 0 and _told(p).has_clock and _told(p).has_date
    ]
    received = max(
        (p for p in timed.values() if p.says("received") >= 0.6 and _told(p).has_clock and _told(p).has_date),
        key=lambda p: p.says("received"),
        default=None,
    )
    if whole:
        score, best = max(whole, key=lambda one: one[0])
        told = _told(best)
        clock = _of((best.name,), told.pattern, told, score, "its header says so" if _said(best) else "")
        if sum(other >= score - 0.05 for other, _ in whole) > 1:
            clock.assumed.append(
                f"fields.device_time: other columns hold times too, and {best.name!r} comes first"
            )
    else:
        pair = _pair(timed)
        if pair is None:
            return None
        clock = pair
    if received is not None and received.name not in clock.columns:
        clock.received = (received.name, _told(received).pattern)
        if clock.pattern in EPOCHS and clock.received[1] not in EPOCHS:
            clock.assumed.append("time.received_zone: the time of receipt is taken to be in the site's zone")
        clock.short_years = clock.short_years or _told(received).short_years
    if clock.short_years:
        clock.assumed.append(
            f"time.two_digit_years_from: years of two digits are taken to lie in {CENTURY_FROM} "
            f"to {CENTURY_FROM + 99}"
        )
    return clock


def without_times(columns: Mapping[str, Profile]) -> Clock:
    """Return a clock that a person has to set, for a log in which no column is known to tell the time."""
    named = [p for p in columns.values() if p.personal is None and not p.cells and _said(p) >= 0.6]
    best = max(named, key=_said, default=None)
    clock = Clock(() if best is None else (best.name,), "iso", "site", 1.0, 0.0, "its form is not known")
    taken = "" if best is None else f" ({best.name!r} is taken, because of its header)"
    clock.assumed.append(
        "fields.device_time: no column holds both a date and a time of day in a form that is read here; name "
        f"it{taken} and write its form under time.format"
    )
    clock.assumed.append('time.zone: nothing is known of the zone; that of site.toml is taken (or "UTC"?)')
    return clock


def _told(p: Profile) -> TimeReading:
    assert p.time is not None  # noqa: S101 (only columns of times come here)
    return p.time


def _said(p: Profile) -> float:
    return max(p.says("time"), p.says("date"))


def _score(p: Profile) -> float:
    if p.says("received") >= 0.6 or p.says("birth") >= 0.75 or p.filled < 0.5:
        return 0.0
    about = max(p.says(c) for c in ("library", "software", "order", "version"))
    return 0.5 + 0.3 * _said(p) + 0.1 * p.says("kind") + 0.1 * (p.filled > 0.99) - 0.4 * about


def _pair(timed: Mapping[str, Profile]) -> Clock | None:
    dates = [p for p in timed.values() if _told(p).has_date and not _told(p).has_clock and _score(p) > 0]
    hours = [p for p in timed.values() if _told(p).has_clock and not _told(p).has_date and _score(p) > 0]
    if not dates or not hours:
        return None
    date, hour = max(dates, key=_score), max(hours, key=_score)
    pattern = f"{_told(date).pattern} {_told(hour).pattern}"
    score = min(_score(date), _score(hour))
    clock = _of(
        (date.name, hour.name), pattern, _told(date), score, "one column holds the date, one the time of day"
    )
    clock.resolution_s = _told(hour).step_s
    return clock


def _of(columns: tuple[str, ...], pattern: str, told: TimeReading, score: float, said: str) -> Clock:
    reasons = [said, f"{told.share:.0%} of its values are times of this format"]
    clock = Clock(columns, pattern, "site", told.step_s, score, "; ".join(r for r in reasons if r))
    clock.short_years = told.short_years
    if told.other is not None:
        tail = pattern[len(told.pattern) :] if pattern.startswith(told.pattern) else ""
        order = "day" if pattern.index("%d") < pattern.index("%m") else "month"
        clock.assumed.append(
            f"time.format: no date of the sample tells day and month apart; {order} first, "
            f"because {told.why} "
            f"(the other: {told.other}{tail})"
        )
    if pattern in EPOCHS:
        clock.zone = "UTC"
        unit = "seconds" if pattern == "epoch_s" else "milliseconds"
        clock.assumed.append(f"time.format: its whole numbers are taken for {unit} since 1970 began, in UTC")
    elif "%z" in pattern or told.offsets >= 0.99:
        clock.zone = "in_text"
    else:
        clock.assumed.append(
            'time.zone: the times carry no offset; they are taken to be of the zone in site.toml (or "UTC"?)'
        )
        if told.offsets > 0:
            clock.notes.append(f"{told.offsets:.0%} of the times carry an offset; it outranks the zone")
    return clock
