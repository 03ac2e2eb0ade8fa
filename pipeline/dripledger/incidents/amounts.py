"""How much was pumped between two moments, with the bounds that doubt allows; exact arithmetic throughout.

It is the amount *pumped*. What reached the vein is outside the log.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any, Final

from dripledger.incidents.case import Case
from dripledger.incidents.clock_steps import ClockStep
from dripledger.incidents.doubts import ClockDoubt, Hole, own_doubt
from dripledger.incidents.log_ends import brief_amount, brief_stretches, edges
from dripledger.incidents.pieces import UNKNOWN, Piece, between, pieces_of, shifted, to_us, with_told
from dripledger.incidents.repeated_hour import reordered
from dripledger.incidents.settling import drug_told_at, flow_proved_at, rate_told_at, unproved_beginnings
from dripledger.schema.units import UNITS

Row = dict[str, Any]
_ZERO: Final = Fraction(0)
#: Why there is no upper bound where a channel ran and no rate is known.
NO_RATE: Final = "a stretch for which no rate is known"
#: Why there is none of a drug, where its rate is known.
NO_STRENGTH: Final = "a stretch for which no strength of {entry} is known"
NO_NAME: Final = "a stretch of which no record names the drug"
STRENGTH_UNTOLD: Final = "drug and strength were told again only later than the rate"
#: Decimal places of what is printed, mL or drug.
PLACES: Final = 6


@dataclass(frozen=True)
class Bounds:
    """A quantity with its bounds.

    Parameters
    ----------
    seen
        What the log shows.
    low
        Never less than this.
    high
        Never more, if every stretch that nobody can see ran on at the highest rate beside or told in it.
    open
        Whether even that is no bound: records are missing, and a rate may have been changed in them; or
        nothing tells a rate at which an unseen stretch may have run.
    """

    seen: float
    low: float
    high: float
    open: bool


@dataclass(frozen=True)
class Drug:
    """One drug that was pumped."""

    entry: str
    unit: str
    amount: Bounds


@dataclass(frozen=True)
class Reported:
    """What the pump's own counter grew by between two moments, and what was computed where it grew."""

    first_at: datetime
    last_at: datetime
    reported_ml: float
    computed_ml: float
    scope: str

    @property
    def difference_ml(self) -> float:
        """Reported less computed, mL."""
        return round(self.reported_ml - self.computed_ml, PLACES)


@dataclass(frozen=True)
class Pumped:
    """What one channel pumped between two moments."""

    channel: str
    begins_at: datetime
    ends_at: datetime
    volume_ml: Bounds
    by_state_ml: dict[str, float]
    drugs: list[Drug]
    unknown_s: float
    why_open: list[str]
    reported: list[Reported] = field(default_factory=list)
    #: Readings of the pump's own counter that were less than the one before, with no reset logged between.
    fell_at: list[datetime] = field(default_factory=list)


def _edge_doubt(
    pieces: Sequence[Piece], doubts: dict[int, tuple[int, int]], usual_us: int, begins_us: int, ends_us: int
) -> tuple[Fraction, Fraction]:
    """Return by how much less and more it may be because single events may have been earlier or later."""
    less = more = _ZERO
    before: dict[int, Fraction] = {}
    after: dict[int, Fraction] = {}
    for piece in pieces:
        after[piece.begins_us] = after.get(piece.begins_us, _ZERO) + piece.per_us
        before[piece.ends_us] = before.get(piece.ends_us, _ZERO) + piece.per_us
    for edge in {*before, *after}:
        step = before.get(edge, _ZERO) - after.get(edge, _ZERO)
        back, on = doubts.get(edge, (usual_us, usual_us))
        # only what an edge moves inside the two moments counts: one outside may come in, one inside go out
        here = min(max(edge, begins_us), ends_us)
        moved = tuple(step * (min(max(edge + d, begins_us), ends_us) - here) for d in (-back, on))
        less += min(*moved, _ZERO)
        more += max(*moved, _ZERO)
    return less, more


def _unseen(pieces: Sequence[Piece], begins_us: int, ends_us: int) -> tuple[Fraction, int, bool]:
    """Return what unseen stretches may hold at the highest rate beside them, and how long they are (us).

    And whether one of them has no rate beside it, so that nothing tells how much it may hold.
    """
    total, length, boundless = _ZERO, 0, False
    ordered = sorted(pieces, key=lambda p: (p.begins_us, p.ends_us))
    for place, piece in enumerate(ordered):
        if piece.value is not None:
            continue
        overlap = min(piece.ends_us, ends_us) - max(piece.begins_us, begins_us)
        if overlap <= 0:
            continue
        # what runs at a rate that nobody told is bound by no other's: it ran at one of its own
        beside = []
        if piece.state == UNKNOWN:
            beside += [p.per_us for p in ordered[:place] if p.value is not None and p.value > 0][-1:]
            beside += [p.per_us for p in ordered[place + 1 :] if p.value is not None and p.value > 0][:1]
            beside += [piece.told_per_us] if piece.told_per_us else []
        total += (max(beside, default=_ZERO) + piece.added_per_us) * overlap
        length += overlap
        boundless = boundless or not (beside or piece.added_per_us)
    return total, length, boundless


def bounds(
    pieces: Sequence[Piece],
    begins_us: int,
    ends_us: int,
    *,
    reach_us: int,
    doubts: dict[int, tuple[int, int]],
    usual_us: int,
    unsure: Sequence[tuple[int, int]],
    unproved: Sequence[tuple[int, int]] = (),
    endless: bool = False,
    brief: Fraction = _ZERO,
) -> tuple[Bounds, int]:
    """Return a quantity between two moments with its bounds, and how long nobody could see it (us).

    Parameters
    ----------
    pieces
        The channel's stretches.
    begins_us, ends_us
        The two moments.
    reach_us
        By how much both moments together may be off.
    doubts, usual_us
        Microseconds (earlier, later) by which the event at an edge may be off; what holds for all others.
    unsure
        Stretches in which something unseen may have been logged.
    unproved
        Stretches in which nothing may have flowed, though no more than what is seen did.
    endless
        Whether it may have been any length of time that lies between two moments: the clock was set.
    brief
        What may have flowed in stretches so short that the clock shows no length of them.
    """
    seen = between(pieces, begins_us, ends_us)
    low, high = shifted(pieces, begins_us, ends_us, reach_us)
    less, more = _edge_doubt(pieces, doubts, usual_us, begins_us, ends_us)
    swapped = reordered(pieces, doubts, begins_us, ends_us)
    if swapped is not None:
        # beside what each event may move alone: two whose order nothing settles
        nearer = _edge_doubt(pieces, {}, usual_us, begins_us, ends_us)
        low = min(low + less, swapped[0] + nearer[0] + low - seen)
        high = max(high + more, swapped[1] + nearer[1] + high - seen)
        less = more = _ZERO
    hidden, length, boundless = _unseen(pieces, begins_us, ends_us)
    inside = _merged(unsure, begins_us, ends_us)
    carried = [between(pieces, a, b) for a, b in _merged([*unsure, *unproved], begins_us, ends_us)]
    low = max(low + less - sum(carried, _ZERO), _ZERO)
    most = seen if endless else high + more + hidden + brief
    is_open = bool(inside) or boundless or endless
    return Bounds(_plain(seen), _plain(low), _plain(most), is_open), length


def _merged(stretches: Sequence[tuple[int, int]], begins_us: int, ends_us: int) -> list[tuple[int, int]]:
    """Return what some stretches cover between two moments, each moment once."""
    inside = [(max(a, begins_us), min(b, ends_us)) for a, b in stretches if b > begins_us and a < ends_us]
    merged: list[tuple[int, int]] = []
    for a, b in sorted(inside):
        if merged and a <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(b, merged[-1][1]))
        else:
            merged.append((a, b))
    return merged


def _plain(value: Fraction) -> float:
    return float(round(value, PLACES))


def pumped(
    case: Case,
    channel: str,
    begins_at: datetime,
    ends_at: datetime,
    doubt: ClockDoubt,
    open_at: Sequence[Hole],
    steps: Sequence[ClockStep] = (),
) -> Pumped:
    """Return what one channel pumped between two moments.

    Parameters
    ----------
    case
        The pump.
    channel
        The channel.
    begins_at, ends_at
        The moments, UTC.
    doubt
        How far the clock may be off.
    open_at
        The stretches that the log leaves open.
    steps
        The settings of the pump's clock.
    """
    a, b = to_us(begins_at), to_us(ends_at)
    segments = [s for s in case.segments if s["channel"] == channel]
    doubts: dict[int, tuple[int, int]] = {}
    for event in case.events:
        if event["channel"] in ("", channel) and event["time_quality"] in ("ambiguous", "nonexistent"):
            back, on = own_doubt(event)
            doubts[to_us(event["occurred_at"])] = (round(back * 1e6), round(on * 1e6))
    concerned = [(h, rate_told_at(case, channel, h)) for h in open_at if h.channel in ("", channel)]
    set_clock = [s for s in steps if s.touches(segments)]
    outside = edges(case, channel, begins_at, ends_at)
    # The step of the clock stands at the edges already; what was allowed on top moves both moments.
    settings: dict[str, Any] = {
        "reach_us": round(doubt.given_s * 1e6),
        "doubts": doubts,
        "usual_us": round(doubt.resolution_s * 1e6),
        "unproved": [
            *((to_us(h.begins_at), to_us(flow_proved_at(case, channel, h))) for h, _ in concerned),
            *((to_us(first), to_us(last)) for first, last in unproved_beginnings(case, channel)),
        ],
        "endless": any(s.times[0] < ends_at and s.times[1] > begins_at for s in set_clock),
    }
    unsure = [
        *((to_us(h.begins_at), to_us(told)) for h, told in concerned),
        *((edge.piece.begins_us, edge.piece.ends_us) for edge in outside),
        *((to_us(first), to_us(last)) for s in set_clock for first, last in [s.times]
          if not s.is_back or first < begins_at < last or first < ends_at < last),
    ]  # fmt: skip
    brief = brief_stretches(case, channel, begins_at, ends_at)
    pieces = with_told(case, segments, pieces_of(segments, lambda s: s["volume_ml"]))
    pieces += [edge.piece for edge in outside]
    volume, length = bounds(
        pieces, a, b, unsure=unsure, brief=sum((one.most_ml for one in brief), _ZERO), **settings
    )
    states = {}
    for state in sorted({p.state for p in pieces}):
        amount = between([p for p in pieces if p.state == state], a, b)
        if amount:
            states[state] = _plain(amount)
    why = [h.why for h, told in concerned if h.begins_at < ends_at and told > begins_at]
    why += [edge.why for edge in outside]
    why += [s.why for s in set_clock if s.times[0] < ends_at and s.times[1] > begins_at]
    outside_unknown = [edge.piece for edge in outside]
    is_rateless = _unseen([p for p in pieces if p not in outside_unknown], a, b)[2]
    if is_rateless:
        why.append(NO_RATE)
    # a drug may have been changed in a hole for another strength, which is told again later than its rate
    until = [(h, max(told, drug_told_at(case, channel, h))) for h, told in concerned]
    unsure += [(to_us(h.begins_at), to_us(told)) for h, told in until]
    nameless = [
        s for s in segments
        if s["entry"] is None and (s["volume_ml"] is None or s["volume_ml"] > 0)
        and s["started_at"] < ends_at and s["ended_at"] > begins_at
    ]  # fmt: skip
    unsure += [(to_us(s["started_at"]), to_us(s["ended_at"])) for s in nameless]
    drugs = []
    for entry, unit in _named(segments):
        of_entry = [s for s in segments if s["entry"] == entry]
        own = with_told(case, of_entry, pieces_of(of_entry, _amount_in(unit)), _amount_in(unit))
        own += [edge.piece for edge in outside if edge.entry in (None, entry)]
        strongest = max((_strength(s, _amount_in(unit)) for s in of_entry), default=_ZERO)
        amount_bounds, unseen = bounds(
            own, a, b, unsure=unsure, brief=brief_amount(brief, entry, strongest), **settings
        )
        if amount_bounds.high > 0 or unseen:
            drugs.append(Drug(entry, unit, amount_bounds))
        if not is_rateless and _unseen([p for p in own if p not in outside_unknown], a, b)[2]:
            why.append(NO_STRENGTH.format(entry=entry))
    why += [NO_NAME] if drugs and nameless else []
    why += [
        f"{h.why}; {STRENGTH_UNTOLD}" for h, told in until
        if drugs and h.begins_at < ends_at and told > begins_at and f"{h.why}" not in why
    ]  # fmt: skip
    return Pumped(
        channel, begins_at, ends_at, volume, states, drugs, length / 1e6, list(dict.fromkeys(why)),
        _reported(case, channel, pieces, a, b),
        [r["occurred_at"] for r in case.readings
         if r["channel"] == channel and r["grown_ml"] is None and a <= to_us(r["occurred_at"]) <= b],
    )  # fmt: skip


def _strength(segment: Row, take: Callable[[Row], Any]) -> Fraction:
    """Return what a mL of a stretch holds of a drug; 0 where that is not known."""
    amount = take(segment)
    return Fraction(amount) / Fraction(segment["volume_ml"]) if amount and segment["volume_ml"] else _ZERO


def _named(segments: Iterable[Row]) -> list[tuple[str, str]]:
    """Return each drug with the unit to tell it in: of units that convert into each other, its first one."""
    found: dict[tuple[str, str], str] = {}
    for row in segments:
        unit = _unit_of(row)
        if unit and row["entry"]:
            kind = UNITS[unit].dimension if unit in UNITS else unit
            found.setdefault((str(row["entry"]), kind), unit)
    return sorted((entry, unit) for (entry, _), unit in found.items())


def _unit_of(segment: Row) -> str | None:
    """Return the unit of a stretch's drug: of what flowed, or of what its strength or dose is told in."""
    for told in (segment["amount_unit"], segment["concentration_unit"], segment["dose_unit"]):
        if told:
            return str(told).split("/")[0]
    return None


def _amount_in(unit: str) -> Callable[[Row], Any]:
    """Return what takes the drug of a stretch in a unit; where nothing flowed, there is none of it."""

    def take(segment: Row) -> Any:
        if segment["volume_ml"] is not None and not segment["volume_ml"]:
            return 0
        own = segment["amount_unit"]
        if segment["amount"] is None or own == unit:
            return segment["amount"]
        if own not in UNITS or unit not in UNITS or UNITS[own].shape != UNITS[unit].shape:
            return None
        # factors are powers of ten and exact as they are written, not as they are held
        factors = [Fraction(str(UNITS[code].to_base)) for code in (own, unit)]
        return Fraction(segment["amount"]) * factors[0] / factors[1]

    return take


def _reported(case: Case, channel: str, pieces: Sequence[Piece], a: int, b: int) -> list[Reported]:
    """Return what the pump's own counter grew by up to its readings between the moments, by scope.

    Each reading is held against the stretch in which it grew: since the one before it, or since the counter
    began anew; what ran outside these stretches is on neither side.
    """
    found = []
    for scope in ("since_cleared", "infusion", "segment"):
        spans = [
            (to_us(r["since_at"]), to_us(r["occurred_at"]), Fraction(r["grown_ml"]))
            for r in case.readings
            if r["channel"] == channel and r["scope"] == scope and a <= to_us(r["occurred_at"]) <= b
            and r["grown_ml"] is not None
        ]  # fmt: skip
        first, last = min((s[0] for s in spans), default=0), max((s[1] for s in spans), default=0)
        if first == last:
            continue
        total = sum((grown for _, _, grown in spans), _ZERO)
        computed = sum((between(pieces, since, at) for since, at, _ in spans), _ZERO)
        found.append(Reported(_moment(first), _moment(last), _plain(total), _plain(computed), scope))
    return found


def _moment(us: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)
