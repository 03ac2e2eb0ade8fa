"""Times: from the text of a log to the clock's reading and the instant.

The engine alone gives a local time that occurs twice its later instant and shifts one that does not
exist, both without a word. So the hours that a zone repeats or skips are listed here, and only readings
inside them are treated apart.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Final
from zoneinfo import ZoneInfo

import duckdb

from dripledger.sources.parts import TimeOptions
from dripledger.sources.staging import quoted
from dripledger.sources.time_formats import EPOCHS, has_short_years

_ISO_BARE: Final = r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}([.,]\d{1,9})?)?"
_COUNTED: Final = r"\d{1,15}(\.\d{1,6})?"
#: A list of more years would cost as much as the calendar.
_NEAR_YEARS: Final = 12
_OFFSET: Final = r"(?:Z|z|[+-][01]\d(?::?[0-5]\d)?)"


@dataclass(frozen=True, slots=True)
class TimeSql:
    """SQL over a text column that holds a time.

    Parameters
    ----------
    reading
        The clock's reading, TIMESTAMP without zone; null where the text does not fit the format.
    offset_s
        Seconds east of UTC where the text says so; null where it does not.
    """

    reading: str
    offset_s: str


def plain_sql(text: str) -> str:
    """Return the SQL that reads ``YYYY-MM-DD HH:MM:SS`` and gives null for every other text.

    A reading that is written out as the very text it came from needs no pattern, which costs six times as
    much; the length keeps out ``infinity``.
    """
    cast = f"try_cast({text} as timestamp)"
    return f"case when strlen({text}) = 19 and cast({cast} as varchar) = {text} then {cast} end"


def time_sql(
    text: str, pattern: str, short_years_from: int | None = None, plain: str | None = None
) -> TimeSql:
    """Return the SQL that reads a time.

    Parameters
    ----------
    text
        A SQL expression of a trimmed text.
    pattern
        One of `time_formats.NAMED` or a strptime pattern.
    short_years_from
        First of the hundred years that years of two digits lie in; None: the pattern has none.
    plain
        A column that holds `plain_sql` of the text, for ``"iso"``: where it is not null, it is the reading.
    """
    tail = f"regexp_extract({text}, {quoted(_OFFSET + '$')})"
    offset = (
        f"case when upper({tail}) = 'Z' then 0 when {tail} <> '' then "
        f"(case when {tail}[1] = '-' then -1 else 1 end) * (cast({tail}[2:3] as integer) * 3600 "
        f"+ coalesce(try_cast(nullif(replace({tail}, ':', '')[4:5], '') as integer), 0) * 60) end"
    )
    if pattern == "iso":
        # the cast alone takes far too much, and drops an offset without a word
        bare = f"regexp_full_match({text}, {quoted(_ISO_BARE)})"
        full = f"regexp_full_match({text}, {quoted(_ISO_BARE + _OFFSET)})"
        reading = (
            f"case when {bare} then try_cast(replace({text}, ',', '.') as timestamp) "
            f"when {full} then "
            f"try_cast(replace(regexp_replace({text}, {quoted(_OFFSET + '$')}, ''), ',', '.') as "
            "timestamp) end"
        )
        # most texts are bare, and the dearer pattern is not tried on those
        read_offset = f"case when {bare} then null when {full} then {offset} end"
        if plain is not None:
            reading = f"case when {plain} is not null then {plain} else {reading} end"
            read_offset = f"case when {plain} is null then {read_offset} end"
        return TimeSql(reading, read_offset)
    if pattern in EPOCHS:
        # 15 digits reach beyond every year that is allowed, and stay whole in microseconds
        fits = f"regexp_full_match({text}, {quoted(_COUNTED)})"
        us = f"try_cast(round(try_cast({text} as decimal(24, 6)) * {1_000_000 // EPOCHS[pattern]}) as bigint)"
        return TimeSql(f"case when {fits} then try(make_timestamp({us})) end", "null::integer")
    # whatever the pattern, the engine takes these words for times
    words = "'epoch', 'infinity', '-infinity'"
    read = f"try_strptime(case when lower({text}) not in ({words}) then {text} end, {quoted(pattern)})"
    if "%z" in pattern:
        placed = f"({read} at time zone 'UTC') + to_seconds({offset})"
        return TimeSql(
            _century(placed, pattern, short_years_from), f"case when {read} is not null then {offset} end"
        )
    return TimeSql(_century(read, pattern, short_years_from), "null::integer")


def _century(reading: str, pattern: str, first_year: int | None) -> str:
    """Return a reading in the hundred years that were declared for years of two digits."""
    if first_year is None or not has_short_years(pattern):
        return reading
    # the engine reads 69 as 1969 and 68 as 2068; every year of two digits that is a leap year stays one
    year = f"year({reading})"
    right = f"{first_year} + (({year} - {first_year}) % 100 + 100) % 100"
    return f"({reading} + to_years(cast({right} - {year} as integer)))"


def zone_of(zone: str, site_zone: str) -> str | None:
    """Return the IANA name that a mapping's zone means; None for ``in_text``."""
    return None if zone == "in_text" else site_zone if zone == "site" else zone


def received_options(options: TimeOptions) -> tuple[str, str]:
    """Return (format, zone) of `received_at`."""
    return options.received_format or options.format, options.received_zone or options.zone


def instant_sql(reading: str, offset_s: str, zone: str | None) -> str:
    """Return the SQL of the instant: by the text's own offset, else by the zone."""
    by_text = f"({reading} - to_seconds({offset_s})) at time zone 'UTC'"
    if zone is None:
        return by_text
    by_zone = f"{reading} at time zone {quoted(zone)}"
    if offset_s.startswith("null"):
        return by_zone
    return f"case when {offset_s} is not null then {by_text} else {by_zone} end"


@dataclass(frozen=True, slots=True)
class Shift:
    """A change of a zone's offset.

    Parameters
    ----------
    start, end
        Readings that occur twice (or never), half-open.
    before_s, after_s
        Offsets east of UTC, seconds.
    """

    start: datetime
    end: datetime
    before_s: int
    after_s: int

    @property
    def repeats(self) -> bool:
        """Whether these readings occur twice (else: never)."""
        return self.after_s < self.before_s


def _offset_s(zone: ZoneInfo, at: datetime) -> int:
    delta = at.replace(tzinfo=UTC).astimezone(zone).utcoffset()
    return round((delta or timedelta()).total_seconds())


@cache
def shifts(zone: str, year: int) -> tuple[Shift, ...]:
    """Return the changes of a zone's offset in one year (UTC)."""
    place = ZoneInfo(zone)
    found = []
    day = datetime(year, 1, 1)
    end = datetime(year + 1, 1, 1)
    before = _offset_s(place, day)
    while day < end:
        after = _offset_s(place, day + timedelta(days=1))
        if after != before:
            low, high = day, day + timedelta(days=1)
            while high - low > timedelta(seconds=1):
                middle = low + timedelta(seconds=(high - low).total_seconds() // 2)
                if _offset_s(place, middle) == before:
                    low = middle
                else:
                    high = middle
            first, last = sorted((before, after))
            found.append(
                Shift(high + timedelta(seconds=first), high + timedelta(seconds=last), before, after)
            )
            before = after
        day += timedelta(days=1)
    return tuple(found)


def near_instant_sql(reading: str, offset_s: str, zone: str | None, first: datetime, last: datetime) -> str:
    """Return the same SQL for readings of a few years, which reads a zone's changes from a list.

    Measured: the engine's calendar costs twenty times as much a row.

    Parameters
    ----------
    reading, offset_s, zone
        As for `instant_sql`.
    first, last
        What the readings lie between; any other is still right, and dear.
    """
    exact = instant_sql(reading, offset_s, zone)
    years = range(first.year - 1, last.year + 2)
    if zone is None or len(years) > _NEAR_YEARS or years[0] < 2 or years[-1] > 9998:
        return exact
    changes = [shift for year in years for shift in shifts(zone, year)]
    begin, end = datetime(first.year, 1, 1), datetime(last.year + 1, 1, 1)
    east = str(_offset_s(ZoneInfo(zone), datetime(years[0], 1, 1)) * 1_000_000)
    if changes:
        # as the engine has it: a reading that occurs twice is the later one, a skipped one moves on
        until = [(s.start if s.repeats else s.end, s.before_s) for s in changes]
        cases = " ".join(f"when {reading} < timestamp '{at}' then {s * 1_000_000}" for at, s in until)
        east = f"case {cases} else {changes[-1].after_s * 1_000_000} end"
    within = f"{reading} >= timestamp '{begin}' and {reading} < timestamp '{end}'"
    if not offset_s.startswith("null"):
        within += f" and {offset_s} is null"
    return f"case when {within} then make_timestamptz(epoch_us({reading}) - {east}) else {exact} end"


def register_shifts(
    con: duckdb.DuckDBPyConnection, table: str, zones: Iterable[str], years: Iterable[int]
) -> int:
    """Make a temp table of the repeated and skipped readings of zones in years; return its number of rows.

    Columns: zone, shift_start, shift_end (readings, half-open), before_s, after_s, repeats.
    """
    wide = {y + d for y in years for d in (-1, 0, 1) if 2 <= y + d <= 9998}
    rows = [
        (zone, s.start, s.end, s.before_s, s.after_s, s.repeats)
        for zone in sorted(set(zones))
        for year in sorted(wide)
        for s in shifts(zone, year)
    ]
    con.execute(
        f"create or replace temp table {table} (zone varchar, shift_start timestamp, shift_end timestamp, "
        "before_s integer, after_s integer, repeats boolean)"
    )
    if rows:
        con.executemany(f"insert into {table} values (?, ?, ?, ?, ?, ?)", rows)
    return len(rows)


#: Ruling 11: a reading in the repeated hour takes the instant that keeps the pump's sequence in order; the
#: earlier one, marked ambiguous, where both do (or neither does). `shifted` holds one row an event inside a
#: shift: ref, source_name, pump_id, sequence (null where not reliable), reading and the shift's columns.
SETTLE_SQL: Final = """
with seen as (
    select
        *,
        min(reading) over (
            partition by source_name, pump_id, zone, shift_start order by sequence, reading, ref
            rows between 1 following and unbounded following
        ) as lowest_after,
        max(reading) over (
            partition by source_name, pump_id, zone, shift_start order by sequence, reading, ref
            rows between unbounded preceding and 1 preceding
        ) as highest_before
    from shifted
    where repeats and sequence is not null
),
passes as (
    select
        ref,
        coalesce(bool_or(lowest_after < reading) over (
            partition by source_name, pump_id, zone, shift_start order by sequence, reading, ref
            rows between current row and unbounded following
        ), false) as first_pass,
        coalesce(bool_or(highest_before > reading) over (
            partition by source_name, pump_id, zone, shift_start order by sequence, reading, ref
            rows between unbounded preceding and current row
        ), false) as second_pass
    from seen
)
select
    s.ref,
    case
        when not s.repeats then (s.reading - to_seconds(s.before_s)) at time zone 'UTC'
        when coalesce(p.second_pass, false) and not coalesce(p.first_pass, false)
            then (s.reading - to_seconds(s.after_s)) at time zone 'UTC'
        else (s.reading - to_seconds(s.before_s)) at time zone 'UTC'
    end as instant,
    case
        when not s.repeats then 'nonexistent'
        when coalesce(p.first_pass, false) <> coalesce(p.second_pass, false) then 'exact'
        else 'ambiguous'
    end as quality
from shifted as s
left join passes as p on s.ref = p.ref
"""
