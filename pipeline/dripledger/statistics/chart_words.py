"""What a chart says, in words that need no course in statistics."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dripledger.statistics.layout import Bools, Ints, run_bounds
from dripledger.statistics.rules import Runs, Sides, Signals
from dripledger.statistics.words import listed, span

#: Points in a row from which on they are named by the first and the last.
_LONG_ROW = 4


@dataclass(frozen=True, slots=True)
class Found:
    """One pattern that chance hardly explains.

    Attributes
    ----------
    rule
        beyond, trend, near or shift.
    side
        1 above (rising), -1 below (falling).
    points
        Indices of its points.
    sentence
        The pattern in words.
    """

    rule: str
    side: int
    points: tuple[int, ...]
    sentence: str


def patterns(
    labels: Sequence[str], judged: Bools, number: Ints, members: Signals, noun: str, since: int = 0
) -> tuple[Found, ...]:
    """Gather points with a signal into patterns: by rule in order of weight, then by time.

    Parameters
    ----------
    labels
        Names of all points.
    judged
        Which points the rules looked at; shape (points,).
    number
        Segment of each point.
    members
        Signals of each point.
    noun
        What the points are, plural.
    since
        Patterns that end before this point are left out, and single points before it.

    Returns
    -------
    tuple of Found
        Points beyond one side of the limits of a segment are one pattern; shifts and trends are one a run.
    """
    out = []
    places = np.flatnonzero(judged)
    for rule in ("beyond", "trend", "near", "shift"):
        side = getattr(members, rule)[places]
        single = rule in ("beyond", "near")
        for run in _groups(side, number[places], whole=single):
            points = tuple(int(places[i]) for i in run if places[i] >= since or not single)
            if not points or points[-1] < since:
                continue
            sign = int(side[run[0]])
            names, in_a_row = [labels[i] for i in points], points[-1] - points[0] == len(points) - 1
            out.append(Found(rule, sign, points, _sentence(rule, sign, names, noun, in_a_row)))
    return tuple(out)


def _groups(side: Sides, number: Ints, whole: bool) -> list[list[int]]:
    """Return positions of one side: all of a segment together, or each unbroken run."""
    if whole:
        keys = [(int(k), sign) for k in np.unique(number) for sign in (1, -1)]
        sets = [np.flatnonzero((number == k) & (side == sign)).tolist() for k, sign in keys]
        return [group for group in sets if group]
    starts = np.ones(side.size, np.bool_)
    starts[1:] = (side[1:] != side[:-1]) | (number[1:] != number[:-1])
    begin, end = run_bounds(starts)
    firsts = [i for i in range(side.size) if begin[i] == i and side[i] != 0]
    return [list(range(i, int(end[i]) + 1)) for i in firsts]


def _sentence(rule: str, side: int, names: list[str], noun: str, in_a_row: bool) -> str:
    where = "above" if side > 0 else "below"
    verb = "is" if len(names) == 1 else "are"
    if rule == "beyond" and in_a_row and len(names) >= _LONG_ROW:
        return f"All {len(names)} {noun} {span(names[0], names[-1])} are {where} what chance explains."
    if rule == "beyond":
        return f"{listed(names)} {verb} {where} what chance explains."
    if rule == "near":
        limit = "upper" if side > 0 else "lower"
        return (
            f"{listed(names)} {verb} close to the {limit} limit, more often in three {noun} running than "
            f"chance explains."
        )
    # Where one between them has too few data, nothing is known of it.
    figures = "" if in_a_row else " with a figure"
    told = f"All {len(names)} {noun}{figures} {span(names[0], names[-1])}"
    if rule == "shift":
        return f"{told} lie {where} the centre: the level has changed for longer than chance explains."
    way = "higher" if side > 0 else "lower"
    return (
        f"{told} form an unbroken {'rise' if side > 0 else 'fall'}: each is {way} than the one before, for "
        f"longer than chance explains."
    )


def runs_sentence(found: Runs, noun: str, run_told: bool = False) -> str:
    """Return what a runs analysis with a signal says; nothing if its one finding is told already."""
    told = []
    if found.longest > found.longest_max and not run_told:
        told.append(
            f"{int(found.longest)} {noun} in a row lie on one side of the centre, where chance gives at most "
            f"{int(found.longest_max)}"
        )
    if found.crossings < found.crossings_min:
        told.append(
            f"the series crosses its centre {_times(int(found.crossings))}, where chance gives at least "
            f"{int(found.crossings_min)}"
        )
    text = "; ".join(told)
    if not text:
        return ""
    return f"{text[0].upper()}{text[1:]}: it moves in longer waves than chance explains."


def _times(count: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def nothing_found(points: int, noun: str, anew: bool = False) -> str:
    """Return what is said where no rule has a signal."""
    if points == 0 and anew:
        return f"There are no {noun} with a figure since the limits began anew, so nothing can be told yet."
    if points == 0:
        return f"There are no {noun} with a figure yet, so nothing can be told."
    if points == 1:
        return f"One of the {noun} alone cannot show whether anything changed."
    return f"Nothing in these {noun} is more than chance explains."


def describe(
    since_label: str, since: str, reason: str, points: int, wanted: int, gone: str, small: bool, noun: str
) -> list[str]:
    """Return how the limits of a segment came about; `gone` names a baseline that is not all shown."""
    told = []
    if since_label:
        told.append(f"New limits from {since_label} on: {since}.")
    if points == 0:
        return [*told, f"No limits yet: none of the {noun} has enough data."]
    told.append(f"Drawn as {'an' if reason.startswith('X') else 'a'} {reason}.")
    if points < wanted:
        told.append(
            f"Trial limits: they rest on {points} of the {noun} and still move until there are {wanted}. "
            f"Take a signal as a question, not as an answer."
        )
    elif gone:
        told.append(f"Limits rest on the {wanted} {noun} {gone} and stand until a declared change.")
    else:
        told.append(f"Limits rest on the first {wanted} {noun} and stand until a declared change.")
    if small:
        told.append(
            f"Where under 5 are expected, limits are those of exact chance, given what the other baseline "
            f"{noun} have shown. Points near a limit and long waves are not judged there; {noun} on one side "
            f"of the centre are a change only if that is as unlikely as seven coins in a row."
        )
    return told
