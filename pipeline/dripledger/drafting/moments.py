"""How times are written: the formats that fit a column, and which of two that both fit is likelier."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise
from typing import Final

import duckdb
import pyarrow as pa

from dripledger.events.times import time_sql
from dripledger.sources.time_formats import EPOCHS

_DATES: Final = {
    "year": ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%y-%m-%d", "%y%m%d"),
    "day": (
        "%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y", "%d.%m.%y", "%d/%m/%y", "%d-%m-%y", "%d-%b-%Y", "%d %b %Y",
        "%d-%b-%y", "%d%b%Y",
    ),
    "month": ("%m/%d/%Y", "%m-%d-%Y", "%m.%d.%Y", "%m/%d/%y", "%m-%d-%y", "%b %d %Y", "%b %d, %Y"),
}  # fmt: skip
_CLOCKS: Final = (
    "%H:%M:%S", "%H:%M", "%H:%M:%S.%f", "%I:%M:%S %p", "%I:%M %p", "%I:%M:%S%p", "%H.%M.%S", "%H.%M",
    "%H%M%S", "%H%M", "%Hh%M", "%H:%M:%S,%f",
)  # fmt: skip
_JOINS: Final = (" ", "T", ", ", "", "-", "  ")
_ORDER: Final = {"day": 0, "month": 1, "year": 2}
_LOOKS: Final = re.compile(r"\d{1,4}[-./ ]?(\d{1,2}|[A-Za-z]{3})[-./ ,]*\d{1,4}")
_OFFSET: Final = re.compile(r"(?:Z|z|[+-][01]\d:?[0-5]\d)$")
_DIGITS_OF: Final = {
    "Y": (4, 4), "y": (2, 2), "m": (1, 2), "d": (1, 2), "H": (1, 2), "I": (1, 2), "M": (2, 2), "S": (2, 2),
    "f": (1, 9), "b": (0, 0), "p": (0, 0), "z": (0, 0),
}  # fmt: skip
_FIRST_YEAR: Final = 1970
_MOST: Final = 400
_COUNT: Final = re.compile(r"\d{10}|\d{13}")
#: Seconds since 1970 of 2001-09-09 (ten digits from there on) and of the end of 2032; and of ten years.
_FIRST, _LAST, _LONGEST = 1_000_000_000, 1_988_150_400, 315_360_000


@dataclass(frozen=True)
class TimeReading:
    """How a column of times is read.

    Parameters
    ----------
    pattern
        ``"iso"``, or a pattern of strptime.
    share
        Share of its values that fit.
    has_clock, has_date
        Whether it tells the time of day, and the date.
    offsets
        Share of values with an offset from UTC.
    moments
        Its values as read, in the order of the records; None: does not fit.
    other
        A pattern that fits as well, with day and month exchanged; None: there is none.
    why
        Why not the other.
    step_s
        Smallest step that the texts can tell, seconds.
    """

    pattern: str
    share: float
    has_clock: bool
    has_date: bool
    offsets: float
    moments: tuple[datetime | None, ...]
    other: str | None = None
    why: str = ""
    step_s: float = 1.0

    @property
    def short_years(self) -> bool:
        """Whether its years have two digits."""
        return "%y" in self.pattern


def read_times(values: list[str | None], language: str, con: duckdb.DuckDBPyConnection) -> TimeReading | None:
    """Return how a column of texts is read as times; None where it holds none.

    Parameters
    ----------
    values
        The texts.
    language
        Language of the headers: English dates with slashes more often begin with the month.
    con
        A connection to read with: what fits here fits when the file is read.
    """
    texts = [v for v in values if v]
    if not texts or sum(
        bool(_LOOKS.search(t) or ":" in t or re.fullmatch(r"\d{4,6}", t)) for t in texts
    ) < 0.8 * len(texts):
        return None
    fitting = _fitting(texts, con)
    if not fitting:
        return None
    best = max(share for share, _, _ in fitting)
    if best < 0.85:
        return None
    kept = [(pattern, order) for share, pattern, order in fitting if share >= best - 0.02]
    pattern, order = min(kept, key=lambda one: (one[0] != "iso", _rank(one[0]), _ORDER.get(one[1], 3)))
    other, why = None, ""
    rivals = [p for p, o in kept if {o, order} == {"day", "month"} and _same_but_order(p, pattern)]
    if rivals:
        pattern, other, why = _likelier(pattern, rivals[0], values, language, con)
    moments = _read(values, pattern, con)
    offsets = sum(bool(_OFFSET.search(t)) for t in texts) / len(texts) if ":" in texts[0] else 0.0
    has_clock = pattern == "iso" or "%H" in pattern or "%I" in pattern
    seconds = pattern == "iso" or "%S" in pattern
    whole = all(moment is None or moment.second == 0 for moment in moments)
    return TimeReading(
        pattern, best, has_clock, pattern == "iso" or "%d" in pattern, offsets, tuple(moments), other, why,
        60.0 if has_clock and (not seconds or (whole and len(texts) >= 20)) else 1.0,
    )  # fmt: skip


def read_epochs(values: list[str | None]) -> TimeReading | None:
    """Return how a column of counts of seconds or milliseconds since 1970 is read; None where it holds none.

    Only counts of the years 2001 to 2032 are taken: other whole numbers of so many digits are numbers.
    """
    texts = [v for v in values if v]
    for pattern, per_second in EPOCHS.items():
        counts = [
            int(v) / per_second
            if v and _COUNT.fullmatch(v) and _FIRST <= int(v) / per_second < _LAST
            else None
            for v in values
        ]
        share = sum(c is not None for c in counts) / max(len(texts), 1)
        inner = sorted(c for c in counts if c is not None)
        if share < 0.85 or inner[len(inner) * 19 // 20] - inner[len(inner) // 20] > _LONGEST:
            continue
        moments = tuple(
            None if c is None else datetime.fromtimestamp(c, UTC).replace(tzinfo=None) for c in counts
        )
        return TimeReading(pattern, share, True, True, 0.0, moments, step_s=1.0)
    return None


def _rank(pattern: str) -> tuple[int, int]:
    # four digits of a year before two; the shorter pattern where both fit
    return ("%y" in pattern, len(pattern))


def _same_but_order(one: str, other: str) -> bool:
    return one.replace("%d", "%_").replace("%m", "%_") == other.replace("%d", "%_").replace("%m", "%_")


@cache
def _candidates() -> tuple[tuple[str, str], ...]:
    found = [("iso", "year")]
    for order, dates in _DATES.items():
        for date in dates:
            found.append((date, order))
            for clock in _CLOCKS:
                found += [(f"{date}{join}{clock}", order) for join in _JOINS]
                found += [(f"{date} {clock}%z", order), (f"{date} {clock} %z", order)]
    found += [(clock, "none") for clock in _CLOCKS]
    return tuple(found)


def _fitting(texts: list[str], con: duckdb.DuckDBPyConnection) -> list[tuple[float, str, str]]:
    """Return (share, pattern, order) of the patterns that fit; few texts sort out most patterns first."""
    distinct = list(dict.fromkeys(texts))
    # spread over the whole sample: the first days of a month tell less than all of it
    few = distinct[:: max(1, len(distinct) // _MOST)]
    first, last = _Look.of(few[0]), _Look.of(few[-1])
    left = [one for one in _candidates() if _may_fit(one[0], first) or _may_fit(one[0], last)]
    for probe in (few[:3], few[:40], few):
        shares = _shares(probe, [pattern for pattern, _ in left], con)
        left = [
            one for one, share in zip(left, shares, strict=True) if share >= (0.3 if len(probe) <= 3 else 0.6)
        ]
        if not left:
            return []
    shares = _shares(texts, [pattern for pattern, _ in left], con)
    return [(share, pattern, order) for share, (pattern, order) in zip(shares, left, strict=True)]


@cache
def _signature(pattern: str) -> tuple[frozenset[str], int, int]:
    """Return the signs of a pattern, and the fewest and most digits of a text that fits it."""
    signs = frozenset(re.sub(r"%.", "", pattern)) - {" "}
    bounds = [_DIGITS_OF[letter] for letter in re.findall(r"%(.)", pattern)]
    return signs, sum(low for low, _ in bounds), sum(high for _, high in bounds)


@dataclass(frozen=True, slots=True)
class _Look:
    """What is looked at of a text once for all patterns: digits, signs, letters that can be signs."""

    whole: tuple[int, frozenset[str], frozenset[str]]
    without_offset: tuple[int, frozenset[str], frozenset[str]]
    dashed: bool
    clock_and_offset: bool

    @classmethod
    def of(cls, text: str) -> _Look:
        """Look at a text."""

        def seen(told: str) -> tuple[int, frozenset[str], frozenset[str]]:
            signs = frozenset(re.sub(r"[\w ]", "", told))
            return sum(c.isdigit() for c in told), signs, frozenset("Th") & frozenset(told)

        offset = _OFFSET.search(text) is not None
        return cls(seen(text), seen(_OFFSET.sub("", text)), "-" in text, offset and ":" in text)


def _may_fit(pattern: str, text: _Look) -> bool:
    """Whether a pattern and a text have like signs and as many digits: cheap, and it sorts out most."""
    if pattern == "iso":
        return text.dashed
    signs, least, most = _signature(pattern)
    with_offset = "%z" in pattern
    if text.clock_and_offset and not with_offset:
        return False
    digits, own, letters = text.without_offset if with_offset else text.whole
    return least <= digits <= most and signs == own | (signs & letters)


def _shares(texts: list[str], patterns: list[str], con: duckdb.DuckDBPyConnection) -> list[float]:
    con.register("draft_texts", pa.table({"t": pa.array(texts, pa.string())}))
    counts: list[float] = []
    for at in range(0, len(patterns), 200):
        picks = ", ".join(f"count({_reading('t', pattern)})" for pattern in patterns[at : at + 200])
        counts += con.execute(f"select {picks} from draft_texts").fetchall()[0]
    con.unregister("draft_texts")
    return [count / len(texts) for count in counts]


def _reading(text: str, pattern: str) -> str:
    if pattern == "iso":
        return time_sql(text, "iso").reading
    # the engine takes 90 for a year of four digits: as many digits as the pattern says
    digits = f"length(regexp_replace({text}, '[^0-9]', '', 'g'))"
    least = (
        8
        if "%Y" in pattern and "%m" in pattern and not re.search(r"[-./ ]", pattern.split("%Y")[0] or "-")
        else 0
    )
    year = f" and regexp_matches({text}, '\\d{{4}}')" if "%Y" in pattern else ""
    short = (
        f" and not regexp_matches({text}, '\\d{{4}}')"
        if "%y" in pattern and re.search(r"[-./ ]", pattern)
        else ""
    )
    read = time_sql(text, pattern, _FIRST_YEAR if "%y" in pattern else None).reading
    return f"case when {digits} >= {least}{year}{short} then {read} end"


def _read(values: list[str | None], pattern: str, con: duckdb.DuckDBPyConnection) -> list[datetime | None]:
    con.register(
        "draft_texts", pa.table({"n": pa.array(range(len(values))), "t": pa.array(values, pa.string())})
    )
    rows = con.execute(
        f"select cast({_reading('t', pattern)} as timestamp) from draft_texts order by n"
    ).fetchall()
    con.unregister("draft_texts")
    return [row[0] for row in rows]


def _likelier(
    one: str, other: str, values: list[str | None], language: str, con: duckdb.DuckDBPyConnection
) -> tuple[str, str, str]:
    """Return (the likelier pattern, the other, why): days run on in a log, and its span is short."""
    spans = {}
    for pattern in (one, other):
        moments = [m for m in _read(values, pattern, con) if m is not None]
        back = sum(b < a for a, b in pairwise(moments))
        # a clock that was never set is no reason to read all dates otherwise
        inner = sorted(moments)[len(moments) // 20 : len(moments) - len(moments) // 20]
        spans[pattern] = (back, (inner[-1] - inner[0]).days)
    (back_one, days_one), (back_other, days_other) = spans[one], spans[other]
    if days_one * 3 + 3 < days_other or (days_one <= days_other and back_one < back_other):
        return one, other, f"the log then spans {days_one} days instead of {days_other}"
    if days_other * 3 + 3 < days_one or (days_other <= days_one and back_other < back_one):
        return other, one, f"the log then spans {days_other} days instead of {days_one}"
    month_first = language == "en" and "/" in one
    wanted = next(p for p in (one, other) if (p.index("%m") < p.index("%d")) == month_first)
    rest = other if wanted == one else one
    return wanted, rest, f"dates are mostly written so in exports with {_NAMES[language]} headers"


_NAMES: Final = {"en": "English", "de": "German", "fr": "French", "es": "Spanish"}
