"""What a measure is made of; the measures themselves stand in `definitions`."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import Enum


class Direction(Enum):
    """Which way is better; NONE where there is no good direction and no target."""

    UP = "more is better"
    DOWN = "less is better"
    NONE = "no good direction, no target"


class IntervalKind(Enum):
    """How the 95 % interval is made."""

    WILSON = "score interval for a share of independent counts"
    CLUSTERED = "linearised and clustered by infusion, on the logit scale"
    CLUSTERED_RATE = "widened by the measured dispersion, clustered by infusion"
    SURVIVAL = "Kaplan-Meier, pointwise"
    NONE = "none: a count of a whole"


class Least(Enum):
    """Least data for a value; below it a cell shows its counts only. The numbers are site settings."""

    STARTS = "starts, programmings, attempts, infusions or alarms in the denominator"
    HOURS = "infusions and running channel-hours in the denominator"
    PUMP_HOURS = "powered-on pump-hours in the denominator"
    NONE = "no minimum: a count of a whole"


class Form(Enum):
    """What the value is."""

    SHARE = "numerator / denominator"
    RATE = "100 numerator / denominator"
    COUNT = "the numerator; the denominator says out of how many"
    TIMES = "a quantile of times; the numerator counts the ends that were seen, the denominator all"


class Amount(Enum):
    """What a numerator or denominator is; the number divides what the facts hold (times: microseconds)."""

    COUNT = 1
    MINUTES = 60_000_000
    HOURS = 3_600_000_000


@dataclass(frozen=True, slots=True)
class Part:
    """A row of its own beside a measure, or instead of it: some of its numerator, or another quantile.

    Parameters
    ----------
    suffix
        Ends the row's name: ``measure_suffix``.
    title
        What the part is, for people; stands behind the measure's title.
    column, value
        The column of the facts and its value that make a fact one of this part; no column: of all.
    quantile
        Share of cases of a part of a measure of times.
    """

    suffix: str
    title: str
    column: str = ""
    value: str = ""
    quantile: float = 0.5


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure.

    Parameters
    ----------
    id
        Its name in tables.
    title
        Its name for people, with the base of the number.
    question
        What a reader can ask it.
    numerator, denominator, exclusions
        What is counted, over what, and what is left out of both.
    unit
        Unit of the value; shares are fractions 0-1.
    base
        What one unit of the denominator is.
    direction
        Which way is better.
    least
        Least data needed for a value.
    interval
        How its interval is made.
    comparable
        Whether care areas may be compared by it.
    comparable_why
        Why, or why not.
    source
        Where the definition comes from.
    needs
        Kinds of event that a source must be able to log; a cell uses the sources that can.
    needs_any
        Kinds of which it must be able to log one at least; empty: none beside `needs`.
    groups
        By what it can be split beside the month.
    built
        Whether this version calculates it; else it reads ``not_measurable``.
    form
        What the value is.
    counted, over
        What numerator and denominator are.
    unknown
        What is left out of both though its source could log it, in words that follow the base.
    untold
        What is left out of both because a field that tells it apart is not logged; likewise.
    left_out_base
        What one unit of these two is; None: the base.
    passed_over
        What happened and is not told enough to be counted, beside a denominator that stays: what it is, in
        the plural, and words that follow; empty: nothing.
    parts
        Rows of its own that the measure has.
    parts_alone
        Whether only the parts have rows, none the whole.
    parts_of_whole
        Whether the denominator of a part is that of the whole; else each part has its own.
    """

    id: str
    title: str
    question: str
    numerator: str
    denominator: str
    exclusions: str
    unit: str
    base: str
    direction: Direction
    least: Least
    interval: IntervalKind
    comparable: bool
    comparable_why: str
    source: str
    needs: tuple[str, ...]
    groups: tuple[str, ...]
    built: bool = False
    needs_any: tuple[str, ...] = ()
    form: Form = Form.SHARE
    counted: Amount = Amount.COUNT
    over: Amount = Amount.COUNT
    unknown: str = "that cannot be told"
    untold: str = "of which the log lacks a field that tells"
    left_out_base: str | None = None
    passed_over: tuple[str, str] = ("", "")
    parts: tuple[Part, ...] = ()
    parts_alone: bool = False
    parts_of_whole: bool = True

    @property
    def rows(self) -> dict[str, Part | None]:
        """Names of the rows that it has in a table, and which part each is (None: the whole)."""
        found: dict[str, Part | None] = {} if self.parts_alone else {self.id: None}
        found.update({f"{self.id}_{part.suffix}": part for part in self.parts})
        return found

    def lacking(self, records: Collection[str]) -> tuple[str, ...]:
        """Return what it needs and a source that logs the kinds `records` cannot log; empty: it can all."""
        lacks = [kind for kind in self.needs if kind not in records]
        if self.needs_any and not any(kind in records for kind in self.needs_any):
            lacks.append(" or ".join(self.needs_any))
        return tuple(lacks)

    def row_title(self, part: Part | None) -> str:
        """Return the title of a row."""
        return self.title if part is None else f"{self.title}: {part.title}"
