"""One message to one row of raw fields: names before numbers, containment by OBX-4, nothing about people.

Speed comes from remembering: what an OBX-3 and OBX-4, the tail of a segment or a coded value mean is worked
out once for each text, and what a message of one shape fills once for each shape (`shape.py`), because pumps
write the same ones again and again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, Final

from dripledger.sources.hl7.codes import term_name, unit_of
from dripledger.sources.hl7.fields import FIELDS, PLACES, Row, derive
from dripledger.sources.hl7.separators import Separators, iso_time, offset_of, separators_of
from dripledger.sources.hl7.shape import CODED, NUMBER, Meaning, Shape, Tail, meaning_of, shape_of

#: Why a message cannot be split, as named checks.
NO_MESSAGE, BAD_SEPARATORS = "not_a_message", "separators_unreadable"
SEVERAL_EVENTS, NO_EVENT = "several_events", "event_missing"

_BOUNDARIES: Final = frozenset(("MSH", "FHS", "BHS", "BTS", "FTS"))
_REMEMBERED: Final = 100_000
_REMEMBERED_SHAPES: Final = 2_000
_LONGEST_REMEMBERED: Final = 1_000
#: Stands in a shape where a message has an OBR segment.
_ORDER: Final = -1
_BLANK: Final = " \t\0"
_EMPTY: Final[Row] = [None] * len(FIELDS)
_P: Final = PLACES


def read_block(text: str, readers: dict[str, MessageReader | None]) -> Iterator[Row | str]:
    """Yield each record of a text that holds whole records: a row of `FIELDS`, or why it cannot be split.

    Parameters
    ----------
    text
        Messages with segment ends CR, LF or CR LF, with or without MLLP framing and batch segments.
    readers
        Readers by what their MSH declares; kept from block to block.
    """
    for end in ("\r\n", "\n", "\x0b", "\x1c"):
        if end in text:
            text = text.replace(end, "\r")
    segments = text.split("\r")
    edges = [
        at
        for at, segment in enumerate(segments)
        if segment[:3] in _BOUNDARIES and not (segment[3:4].isascii() and segment[3:4].isalnum())
    ]
    if any(s.strip(_BLANK) for s in segments[: edges[0] if edges else len(segments)]):
        yield NO_MESSAGE
    for start, stop in pairwise([*edges, len(segments)]):
        header = segments[start]
        if header[:3] != "MSH":
            if any(s.strip(_BLANK) for s in segments[start + 1 : stop]):
                yield NO_MESSAGE
            continue
        mark = header[3:4]
        declared = mark + header[4:].split(mark, 1)[0] if mark else ""
        if declared not in readers:
            separators = separators_of(header)
            readers[declared] = None if separators is None else MessageReader(separators)
        reader = readers[declared]
        yield BAD_SEPARATORS if reader is None else reader.read(segments[start:stop])


class _Remembered(dict[Any, Any]):
    """A dictionary that begins anew before it grows without end."""

    def __init__(self, most: int = _REMEMBERED) -> None:
        self._most = most

    def keep(self, key: Any, value: Any) -> Any:
        if len(self) >= self._most:
            self.clear()
        if not isinstance(key, str) or len(key) <= _LONGEST_REMEMBERED:
            self[key] = value
        return value


class MessageReader:
    """Reads messages of one set of separators.

    Parameters
    ----------
    separators
        What the messages declare in MSH-1 and MSH-2.
    """

    def __init__(self, separators: Separators) -> None:
        self.separators = separators
        # apart for alerts: the fifth place of a containment is a facet there
        self._meanings = (_Remembered(), _Remembered())
        self._shapes = (_Remembered(_REMEMBERED_SHAPES), _Remembered(_REMEMBERED_SHAPES))
        self._meant = 0
        self._tails = _Remembered()
        self._units = _Remembered()
        self._tokens = _Remembered()
        self._plain = _Remembered()
        self._parts = tuple(_Remembered() for _ in range(9))

    def read(self, segments: Sequence[str]) -> Row | str:
        """Return the row of one message, or why it cannot be split.

        Parameters
        ----------
        segments
            Its segments, MSH first.
        """
        field = self.separators.field
        row = _EMPTY.copy()
        header = segments[0].split(field)
        message, trigger = self._part(header, 8, 0), self._part(header, 8, 1)
        told = message == "ORU" and trigger in ("R42", "R40")
        alert = told and trigger == "R40"
        meanings, tails = self._meanings[alert], self._tails
        orders: list[list[str]] = []
        # what decides where each value belongs; and the values
        key: list[int | str] = []
        seen: list[tuple[Meaning, str, Tail] | None] = []
        for segment in segments:
            name = segment[:3]
            if name == "OBX":
                f = segment.split(field, 6)
                if len(f) < 7:
                    f += [""] * (7 - len(f))
                _, _, kind, what, where, value, rest = f
                meaning = meanings.get((kind, what, where)) or self._meaning(kind, what, where, alert)
                tail = tails.get(rest) or self._tail(rest)
                key.append(meaning.code + tail.code + (1 if value else 0))
                if meaning.steers:
                    key.append(value)
                seen.append((meaning, value, tail))
            elif name == "OBR":
                orders.append(segment.split(field))
                key.append(_ORDER)
                seen.append(None)
            elif name == "PID" and row[_P["patient"]] is None:
                row[_P["patient"]] = self._part(segment.split(field, 4), 3, 0)
            elif name == "PV1" and row[_P["location"]] is None:
                row[_P["location"]] = self._part(segment.split(field, 4), 3, 0)
        shapes, known = self._shapes[alert], tuple(key)
        shape: Shape = shapes.get(known) or shapes.keep(known, shape_of(seen, alert, self._token))
        if shape.several_events:
            return SEVERAL_EVENTS
        event = None if shape.event is None else seen[shape.event]
        if told and (event is None or not event[1]):
            # what was cut off must not become an event that says nothing
            return NO_EVENT
        order = orders[shape.order] if orders else None
        # a time may have its degree of precision as a second component
        component = self.separators.component
        sent = header[6].split(component, 1)[0] if len(header) > 6 else ""
        offset = offset_of(sent)
        when = (order[7] if order is not None and len(order) > 7 else "") or (event[2].time if event else "")
        row[_P["message"]], row[_P["trigger"]] = message, trigger
        row[_P["control_id"]] = self._part(header, 9, 0)
        row[_P["received_time"]] = iso_time(self._text(sent) or "", offset)
        row[_P["event_time"]] = iso_time(self._text(when.split(component, 1)[0]) or "", offset)
        if alert:
            self._alert(row, order, event)
        else:
            row[_P["event"]] = self._term(event[1]) if event else None
            row[_P["order_placer"]] = self._part(order, 2, 0)
            row[_P["drug_code"]] = self._part(order, 4, 0)
            row[_P["drug_text"]] = self._part(order, 4, 1)
        self._fill(row, shape, seen)
        derive(row)
        return row

    def _fill(self, row: Row, shape: Shape, seen: list[Any]) -> None:
        """Fill what depends on where in the pump the event stands."""
        plain, tokens = self._plain, self._tokens
        for index, at, form in shape.fills:
            meaning, value, tail = seen[index]
            if form == NUMBER:
                told = plain.get(value)
                if told is None:
                    told = self._number(meaning.kind, value)
                if told is not None:
                    row[at], row[at + 1] = told, tail.unit
            elif form == CODED:
                row[at] = tokens.get(value) or self._token(value)
            else:
                row[at] = plain.get(value) or self._text(value)
        row[_P["channel"]], row[_P["source"]] = shape.channel, shape.source
        row[_P["pump_level"]] = shape.pump_level
        if shape.pump_device is not None:
            pump = [seen[shape.pump_device][2].device]
            row[_P["pump"]], row[_P["pump_system"]] = self._part(pump, 0, 0), self._part(pump, 0, 2)
        if shape.channel_device is not None:
            row[_P["channel_device"]] = self._part([seen[shape.channel_device][2].device], 0, 0)

    def _alert(self, row: Row, order: list[str] | None, event: tuple[Meaning, str, Tail] | None) -> None:
        """Fill what only an alert has."""
        sep = self.separators
        row[_P["event"]] = "MDC_EVT_ALARM"
        row[_P["alert_id"]] = self._part(order, 3, 0)
        if order is not None and len(order) > 29:
            parent = order[29].split(sep.repetition, 1)[0].split(sep.component)
            row[_P["alert_parent"]] = self._text(parent[-1].split(sep.subcomponent, 1)[0])
        if event is None:
            return
        _, value, tail = event
        row[_P["alert_code"]] = self._term(value)
        row[_P["alert_text"]] = (
            self._part([value], 0, 8) or self._part([value], 0, 1) or self._part([value], 0, 0)
        )
        for word in tail.flags.split(sep.repetition):
            flag = word.strip()
            if flag in ("PN", "PL", "PM", "PH"):
                row[_P["alert_priority"]] = flag
            elif flag in ("SP", "ST", "SA"):
                row[_P["alert_type"]] = flag

    def _meaning(self, kind: str, what: str, where: str, alert: bool) -> Meaning:
        """Work out what an OBX-2, OBX-3 and OBX-4 mean."""
        self._meant += 1
        parts = (*what.split(self.separators.component, 2), "", "")
        meaning = meaning_of(kind, (parts[0].strip(), parts[1].strip()), what, where, alert, self._meant)
        if len(what) + len(where) + len(kind) <= _LONGEST_REMEMBERED:
            self._meanings[alert].keep((kind, what, where), meaning)
        return meaning

    def _tail(self, rest: str) -> Tail:
        """Read what follows a value: unit, OBX-8, status, time, device."""
        fields = rest.split(self.separators.field, 13)
        size = len(fields)
        if size < 13:
            fields += [""] * (13 - size)
        # a segment that is one field short has its status in OBX-10
        status = fields[5] or (fields[4] if size == 5 else "")
        unit = self._units.get(fields[0])
        if unit is None:
            parts = [self._text(p) or "" for p in fields[0].split(self.separators.component)] + [""] * 6
            told = unit_of(parts[0], parts[1], parts[3], parts[5], parts[2])
            unit = self._units.keep(fields[0], told)
        tail = Tail(unit or None, fields[2], status, fields[8], fields[12])
        # a time is seldom written twice
        return tail if tail.time else self._tails.keep(rest, tail)

    def _part(self, fields: Sequence[str] | None, index: int, component: int) -> str | None:
        """Return one component of the first repetition of a field, escapes resolved; None where empty."""
        if fields is None or index >= len(fields):
            return None
        text = fields[index]
        known = self._parts[component]
        try:
            told: str | None = known[text]
        except KeyError:
            sep = self.separators
            parts = text.split(sep.repetition, 1)[0].split(sep.component, component + 1)
            told = known.keep(text, self._text(parts[component]) if component < len(parts) else None)
        return told

    def _text(self, text: str) -> str | None:
        """Return the first repetition, trimmed, escapes resolved; None where nothing is said."""
        sep = self.separators
        value = text.split(sep.repetition, 1)[0] if sep.repetition in text else text
        value = (sep.unescape(value) if sep.escape in value else value).strip()
        return value if value and value != '""' else None

    def _term(self, text: str) -> str | None:
        """Return the name of an event or alarm: its second component first, its first one second."""
        parts = (*text.split(self.separators.repetition, 1)[0].split(self.separators.component, 2), "", "")
        return self._text(term_name(parts[0].strip(), parts[1].strip()))

    def _token(self, text: str) -> str | None:
        """Return a coded value: its second component, else its first."""
        told: str | None = self._tokens.get(text)
        if told is None:
            parts = text.split(self.separators.repetition, 1)[0].split(self.separators.component, 2)
            told = (self._text(parts[1]) if len(parts) > 1 else None) or self._text(parts[0])
            self._tokens.keep(text, told)
        return told

    def _number(self, kind: str, text: str) -> str | None:
        """Return a number as text; a structured one (SN) loses an empty or equal comparator."""
        sep = self.separators
        value = text.split(sep.repetition, 1)[0]
        if sep.component in value and kind == "SN":
            parts = value.split(sep.component)
            if parts[0].strip() in ("", "=") and not any(parts[2:]):
                return self._text(parts[1])
        told = self._text(value)
        return told if sep.component in value else self._plain.keep(text, told)
