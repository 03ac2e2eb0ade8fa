"""What a message of one shape fills: worked out once from its levels and sources, and remembered.

The shape of a message is which observations it holds in which order, which of them say anything, and what
decides where an event stands: the source that it declares and the active one. Two messages of one shape
differ in values only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from dripledger.sources.hl7.codes import LEVEL_NAMES, observation_of, term_name
from dripledger.sources.hl7.containment import NOWHERE, Path, Seen, nearest_last, path_of, place_of
from dripledger.sources.hl7.fields import PLACES

#: How a value is filled in.
NUMBER, CODED, TEXT = range(3)
#: What an observation is; all but a plain one have a say in where values belong.
_PLAIN, _SOURCE, _ACTIVE, _EVENT, _ALARM, _LEVEL, _INFO = range(7)
_FORMS: Final = {"number": NUMBER, "coded": CODED, "text": TEXT}
_ROLES: Final = {"event": _EVENT, "source_path": _SOURCE, "active_source": _ACTIVE}
_CODED_TYPES: Final = frozenset(("CWE", "CE", "CNE", "CF"))
#: OBX-11: taken back, said nothing, corrected; anything else is a value.
_TAKEN_BACK, _NOTHING, _CORRECTED = 1, 2, 3
_STATUSES: Final = {"D": _TAKEN_BACK, "W": _TAKEN_BACK, "X": _NOTHING, "N": _NOTHING, "C": _CORRECTED}
#: Codes of meanings leave room for those of tails, and for whether there is a value.
_STEP: Final = 16


class Meaning(NamedTuple):
    """What an OBX-2, OBX-3 and OBX-4 mean.

    Attributes
    ----------
    code
        A number of its own, a multiple of 16.
    steers
        Whether its value is part of the shape.
    role
        What it is.
    at, form
        Place in a row, and how the value is filled in there.
    path
        Level that it belongs to.
    kind, what
        OBX-2 as written; OBX-3 as written, of a level without a name the one that its number has.
    """

    code: int
    steers: bool
    role: int
    at: int
    form: int
    path: Path
    kind: str
    what: str


class Tail:
    """What follows the value of an OBX segment."""

    __slots__ = ("code", "device", "flags", "status", "time", "unit")

    def __init__(self, unit: str | None, flags: str, status: str, time: str, device: str) -> None:
        self.unit = unit
        self.flags = flags
        self.status = _STATUSES.get(status, 0)
        self.time = time
        self.device = device
        self.code = 4 * self.status + (2 if device else 0)


class Shape(NamedTuple):
    """What messages of one shape fill.

    Attributes
    ----------
    several_events
        Whether it tells more than one event, so that it is none.
    event
        Index of the observation that is the event.
    order
        Which of the message's OBR segments the event stands under; -1 is the last one.
    fills
        (index, place in a row, form) in the order of filling.
    channel, source, pump_level
        Texts that hang on the shape alone.
    pump_device, channel_device
        Index of the observation whose OBX-18 names it.
    """

    several_events: bool
    event: int | None = None
    order: int = -1
    fills: tuple[tuple[int, int, int], ...] = ()
    channel: str | None = None
    source: str | None = None
    pump_level: str | None = None
    pump_device: int | None = None
    channel_device: int | None = None


def meaning_of(kind: str, term: tuple[str, str], what: str, where: str, alert: bool, number: int) -> Meaning:
    """Return what an observation means.

    Parameters
    ----------
    kind, what, where
        OBX-2, OBX-3 and OBX-4 as written.
    term
        Number and reference name out of OBX-3.
    alert
        Whether the message is an alert, where the fifth place of a containment is a facet.
    number
        A number that no other meaning has.
    """
    path, metric, facet = path_of(where)
    told = observation_of(*term)
    code = number * _STEP
    if alert and (facet == 1 or term_name(*term) == "MDC_EVT_ALARM"):
        return Meaning(code, False, _ALARM, -1, TEXT, path or NOWHERE, kind, what)
    if told is not None and told.form != "head":
        form = CODED if told.form != "number" and kind in _CODED_TYPES else _FORMS[told.form]
        role = _ROLES.get(told.field, _PLAIN)
        if told.scope == "info" and path is not None:
            # what is said about the delivery as a whole counts wherever in the channel it stands
            path = (path[0], path[1], 0)
        return Meaning(
            code, role in (_SOURCE, _ACTIVE), role, PLACES[told.field], form, path or NOWHERE, kind, what
        )
    own = path if metric == facet == 0 and path is not None else NOWHERE
    named = what if term[1] else LEVEL_NAMES.get(term[0], what)
    return Meaning(code, False, _LEVEL if told is None else _INFO, -1, TEXT, own, kind, named)


def shape_of(
    observations: Sequence[tuple[Meaning, str, Tail] | None], alert: bool, token: Callable[[str], str | None]
) -> Shape:
    """Work out what the messages of one shape fill.

    Parameters
    ----------
    observations
        (meaning, value, tail) in the order of one such message; None for an OBR segment.
    alert
        Whether it is an alert.
    token
        Reads a coded value.
    """
    seen = Seen()
    event, order, orders = None, -1, 0
    for index, observation in enumerate(observations):
        if observation is None:
            orders += 1
            continue
        meaning, value, tail = observation
        if tail.status == _TAKEN_BACK:
            continue
        if tail.device:
            seen.devices.append((meaning.path, index))
        if meaning.role in (_LEVEL, _INFO):
            if not value:
                seen.level(meaning.path, meaning.what, meaning.role == _INFO)
        elif meaning.role in (_EVENT, _ALARM):
            if event is not None:
                return Shape(True)
            event, order = index, orders - 1
        elif value and tail.status != _NOTHING:
            if meaning.role == _SOURCE:
                seen.declared = path_of(value)[0]
            elif meaning.role == _ACTIVE:
                seen.active = token(value)
            seen.values[meaning.path].append((index, meaning, tail))
    if alert:
        seen.declared = observations[event][0].path if event is not None else None  # type: ignore[index]
    place = place_of(seen)
    where = seen.declared or place
    top = (where[0] if where is not None else 1, 0, 0)
    pump_device = channel_device = None
    if seen.devices:
        own = dict(reversed(seen.devices))
        pump_device = own.get(top, seen.devices[0][1])
        if place is not None and place[1]:
            channel_device = own.get((place[0], place[1], 0))
    return Shape(
        False,
        event,
        order,
        tuple(fill for path in nearest_last(seen, place) for fill in _fills(seen.values[path])),
        str(where[1]) if where is not None and where[1] else None,
        token(seen.levels[place]) if place is not None and place[2] and place in seen.levels else None,
        token(seen.levels[top]) if top in seen.levels else None,
        pump_device,
        channel_device,
    )


def _fills(values: Sequence[tuple[int, Meaning, Tail]]) -> list[tuple[int, int, int]]:
    """Return what one level fills; of two of a kind the first counts, unless a later one corrects it."""
    ordered = list(values)
    if len({meaning.at for _, meaning, _ in ordered}) < len(ordered):
        # what is written last stays: the first of its kind, or a correction
        ordered.reverse()
        ordered.sort(key=lambda v: v[2].status == _CORRECTED)
    return [(index, meaning.at, meaning.form) for index, meaning, _ in ordered]
