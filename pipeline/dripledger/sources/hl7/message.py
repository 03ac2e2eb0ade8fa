"""One message to one row of raw fields: names before numbers, containment by OBX-4, nothing about people.

Speed comes from remembering: what an OBX-3 and OBX-4, the tail of a segment or a coded value mean is worked
out once for each text, because pumps write the same ones again and again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, Final

from dripledger.sources.hl7.codes import observation_of, term_name, unit_of
from dripledger.sources.hl7.containment import NOWHERE, Path, Seen, nearest_last, path_of, place_of
from dripledger.sources.hl7.fields import FIELDS, PLACES, Row, derive
from dripledger.sources.hl7.separators import Separators, iso_time, offset_of, separators_of

#: Why a message cannot be split, as named checks.
NO_MESSAGE, BAD_SEPARATORS = "not_a_message", "separators_unreadable"
SEVERAL_EVENTS, NO_EVENT = "several_events", "event_missing"

_NUMBER, _CODED, _TEXT, _SOURCE, _ACTIVE, _EVENT, _ALARM, _LEVEL = range(8)
_FORMS: Final = {"number": _NUMBER, "coded": _CODED, "text": _TEXT}
_SPECIAL: Final = {"event": _EVENT, "source_path": _SOURCE, "active_source": _ACTIVE}
_BOUNDARIES: Final = frozenset(("MSH", "FHS", "BHS", "BTS", "FTS"))
_CODED_TYPES: Final = frozenset(("CWE", "CE", "CNE", "CF"))
_REMEMBERED: Final = 100_000
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

    def keep(self, key: Any, value: Any) -> Any:
        if len(self) >= _REMEMBERED:
            self.clear()
        self[key] = value
        return value


class _Tail:
    """What follows the value of an OBX segment."""

    __slots__ = ("device", "flags", "status", "time", "unit")

    def __init__(self, fields: list[str], unit: str | None) -> None:
        fields = fields + [""] * (13 - len(fields)) if (size := len(fields)) < 13 else fields
        self.unit = unit
        self.flags = fields[2]
        # a segment that is one field short has its status in OBX-10
        self.status = fields[5] or (fields[4] if size == 5 else "")
        self.time = fields[8]
        self.device = fields[12]


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
        self._tails = _Remembered()
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
        order = event_order = event = None
        seen = Seen()
        for segment in segments:
            name = segment[:3]
            if name == "OBX":
                f = segment.split(field, 6)
                if len(f) < 7:
                    f += [""] * (7 - len(f))
                _, _, kind, what, where, value, rest = f
                meaning = meanings.get((what, where)) or self._meaning(what, where, alert)
                tail = tails.get(rest) or self._tail(rest)
                if tail.status in ("D", "W"):
                    continue
                form, at, path = meaning
                if tail.device:
                    seen.devices.append((path, tail.device))
                if form >= _EVENT:
                    if form == _LEVEL:
                        if not value:
                            seen.level(path, what, at >= 0)
                        continue
                    if event is not None:
                        return SEVERAL_EVENTS
                    event, event_order = (path, value, tail), order
                elif value and tail.status not in ("X", "N"):
                    if form == _SOURCE:
                        seen.declared = path_of(value)[0]
                    elif form == _ACTIVE:
                        seen.active = self._token(value)
                    seen.values[path].append((at, form, kind, value, tail))
            elif name == "OBR":
                order = segment.split(field)
            elif name == "PID" and row[_P["patient"]] is None:
                row[_P["patient"]] = self._part(segment.split(field, 4), 3, 0)
            elif name == "PV1" and row[_P["location"]] is None:
                row[_P["location"]] = self._part(segment.split(field, 4), 3, 0)
        if told and (event is None or not event[1]):
            # what was cut off must not become an event that says nothing
            return NO_EVENT
        if event_order is None:
            event_order = order
        sent = header[6] if len(header) > 6 else ""
        offset = offset_of(sent)
        when = event_order[7] if event_order is not None and len(event_order) > 7 else ""
        row[_P["message"]], row[_P["trigger"]] = message, trigger
        row[_P["control_id"]] = self._part(header, 9, 0)
        row[_P["received_time"]] = iso_time(self._text(sent) or "", offset)
        row[_P["event_time"]] = iso_time(self._text(when or (event[2].time if event else "")) or "", offset)
        if alert:
            self._alert(row, event_order, event)
            seen.declared = event[0] if event else None
        else:
            row[_P["event"]] = self._term(event[1]) if event else None
            row[_P["order_placer"]] = self._part(event_order, 2, 0)
            row[_P["drug_code"]] = self._part(event_order, 4, 0)
            row[_P["drug_text"]] = self._part(event_order, 4, 1)
        self._place(row, seen)
        derive(row)
        return row

    def _place(self, row: Row, seen: Seen) -> None:
        """Fill what depends on where in the pump the event stands."""
        place = place_of(seen)
        for path in nearest_last(seen, place):
            self._fill(row, seen.values[path])
        where = seen.declared or place
        row[_P["channel"]] = str(where[1]) if where is not None and where[1] else None
        if place is not None and place[2] and place in seen.levels:
            row[_P["source"]] = self._token(seen.levels[place])
        top = (where[0] if where is not None else 1, 0, 0)
        if top in seen.levels:
            row[_P["pump_level"]] = self._token(seen.levels[top])
        if seen.devices:
            own = dict(reversed(seen.devices))
            pump = [own.get(top) or seen.devices[0][1]]
            row[_P["pump"]], row[_P["pump_system"]] = self._part(pump, 0, 0), self._part(pump, 0, 2)
            if place is not None and place[1]:
                row[_P["channel_device"]] = self._part([own.get((*place[:2], 0), "")], 0, 0)

    def _fill(self, row: Row, values: list[tuple[int, int, str, str, _Tail]]) -> None:
        """Fill the values of one level; of two of a kind the first counts, unless a later one corrects it."""
        if len({v[0] for v in values}) < len(values):
            # what is written last stays: the first of its kind, or a correction
            values = values[::-1]
            values.sort(key=lambda v: v[4].status == "C")
        plain = self._plain
        for at, form, kind, value, tail in values:
            if form == _NUMBER:
                told = plain.get(value)
                if told is None:
                    told = self._number(kind, value)
                if told is not None:
                    row[at], row[at + 1] = told, tail.unit
            elif form in (_CODED, _ACTIVE) or kind in _CODED_TYPES:
                row[at] = self._token(value)
            else:
                row[at] = plain.get(value) or self._text(value)

    def _alert(self, row: Row, order: list[str] | None, event: tuple[Path | None, str, _Tail] | None) -> None:
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

    def _meaning(self, what: str, where: str, alert: bool) -> tuple[int, int, Path]:
        """Work out what an OBX-3 and an OBX-4 mean: (form, place in the row, level).

        A level that is known as delivery information has a place of 0, any other one of -1.
        """
        parts = (*what.split(self.separators.component, 2), "", "")
        number, name = parts[0].strip(), parts[1].strip()
        path, metric, facet = path_of(where)
        told = observation_of(number, name)
        if alert and (facet == 1 or term_name(number, name) == "MDC_EVT_ALARM"):
            meaning = (_ALARM, -1, path or NOWHERE)
        elif told is not None and told.form != "head":
            form = _SPECIAL.get(told.field, _FORMS[told.form])
            if told.scope == "info" and path is not None:
                # what is said about the delivery as a whole counts wherever in the channel it stands
                path = (path[0], path[1], 0)
            meaning = (form, _P[told.field], path or NOWHERE)
        else:
            own = metric == facet == 0 and path is not None
            meaning = (_LEVEL, 0 if told is not None else -1, path if own and path else NOWHERE)
        self._meanings[alert].keep((what, where), meaning)
        return meaning

    def _tail(self, rest: str) -> _Tail:
        """Read what follows a value: unit, OBX-8, status, time, device."""
        fields = rest.split(self.separators.field, 13)
        parts = [self._text(p) or "" for p in fields[0].split(self.separators.component)] + [""] * 6
        unit = unit_of(parts[0], parts[1], parts[3], parts[5], parts[2]) or None
        tail: _Tail = self._tails.keep(rest, _Tail(fields, unit))
        return tail

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
        value = sep.unescape(value).strip()
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
