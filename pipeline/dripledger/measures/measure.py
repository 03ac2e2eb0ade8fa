"""What a measure is made of; the measures themselves stand in `definitions`."""

from __future__ import annotations

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

    STARTS = "starts in the denominator"
    HOURS = "infusions and running channel-hours in the denominator"
    NONE = "no minimum: a count of a whole"


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
    groups
        By what it can be split beside the month.
    built
        Whether this version calculates it; else it reads ``not_measurable``.
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
