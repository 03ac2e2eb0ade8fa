"""Stretches of one channel with what flowed in them, and their sums: exact arithmetic throughout."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction
from typing import Any, Final

from dripledger.incidents.case import Case

Row = dict[str, Any]
_ZERO: Final = Fraction(0)
HOUR_US: Final = 3_600_000_000
#: The state of a stretch of which nobody can say whether anything flowed.
UNKNOWN: Final = "unknown"


@dataclass(frozen=True)
class Piece:
    """One stretch of one channel; `value` is mL or drug in it, None where nobody can say.

    `told_per_us` is what was told as a rate in a stretch of which nobody can say whether it ran at it;
    `added_per_us` is that of a bolus that adds to whatever ran.
    """

    begins_us: int
    ends_us: int
    value: Fraction | None
    state: str
    told_per_us: Fraction = _ZERO
    added_per_us: Fraction = _ZERO

    @property
    def per_us(self) -> Fraction:
        """Value per microsecond; 0 where it is not known."""
        length = self.ends_us - self.begins_us
        return _ZERO if self.value is None or not length else self.value / length


def to_us(moment: datetime) -> int:
    """Return an instant as exact microseconds."""
    whole = int(moment.replace(microsecond=0).timestamp())
    return whole * 1_000_000 + moment.microsecond


def pieces_of(segments: Iterable[Row], value: Callable[[Row], Any]) -> list[Piece]:
    """Return the stretches of some segments, with what `value` takes from each (a decimal, or None)."""
    return [
        Piece(
            to_us(s["started_at"]),
            to_us(s["ended_at"]),
            None if value(s) is None else Fraction(value(s)),
            str(s["state"]),
        )
        for s in segments
    ]


def between(pieces: Iterable[Piece], begins_us: int, ends_us: int) -> Fraction:
    """Return what lies between two moments; stretches that nobody can see count as nothing."""
    total = _ZERO
    for piece in pieces:
        overlap = min(piece.ends_us, ends_us) - max(piece.begins_us, begins_us)
        if overlap > 0:
            total += piece.per_us * overlap
    return total


def shifted(
    pieces: Sequence[Piece], begins_us: int, ends_us: int, reach_us: int
) -> tuple[Fraction, Fraction]:
    """Return least and most over every shift of both moments by up to `reach_us`.

    The total is linear in the shift between the places where a moment meets the edge of a stretch, so that
    only these, and the ends, can be extreme.
    """
    shifts = {0, -reach_us, reach_us}
    for piece in pieces:
        for edge in (piece.begins_us, piece.ends_us):
            for moment in (begins_us, ends_us):
                if abs(edge - moment) <= reach_us:
                    shifts.add(edge - moment)
    totals = [between(pieces, begins_us + s, ends_us + s) for s in shifts]
    return min(totals), max(totals)


def with_told(
    case: Case, segments: Sequence[Row], pieces: Sequence[Piece], take: Callable[[Row], Any] | None = None
) -> list[Piece]:
    """Put to each stretch of which nobody can say what flowed the highest rate that was told in it.

    A rate that was set as the last thing seen stands in no stretch that is known to have run. For a drug
    (`take`) it is that rate at the strength of the stretch, where another of that strength shows what a mL
    holds.
    """
    found = []
    for segment, piece in zip(segments, pieces, strict=True):
        told = [] if piece.state != UNKNOWN else [
            e for e in case.events
            if e["channel"] == segment["channel"] and e["rate_ml_h"] is not None
            and segment["started_at"] <= e["occurred_at"] < segment["ended_at"]
        ]  # fmt: skip
        per_ml = Fraction(1) if take is None or not told else _per_ml(segment, segments, take)
        rates = [
            max(
                (Fraction(str(e["rate_ml_h"])) * per_ml / HOUR_US for e in told if _adds(e) is adds),
                default=_ZERO,
            )
            for adds in (False, True)
        ]
        found.append(replace(piece, told_per_us=rates[0], added_per_us=rates[1]))
    return found


def _adds(event: Row) -> bool:
    """Whether the rate of an event comes on top of the one at which its channel ran."""
    return event["kind"] == "bolus_started" and bool(event["bolus_adds_to_basal"])


def _per_ml(segment: Row, others: Sequence[Row], take: Callable[[Row], Any]) -> Fraction:
    """Return what a mL of a stretch holds, as another stretch of the same strength shows; 0: none does."""
    for one in others:
        same = segment["concentration_value"] is not None and all(
            one[name] == segment[name] for name in ("concentration_value", "concentration_unit")
        )
        if same and one["volume_ml"] and take(one) is not None:
            return Fraction(take(one)) / Fraction(one["volume_ml"])
    return _ZERO
