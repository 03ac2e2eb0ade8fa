"""The separators that a message declares in MSH-1 and MSH-2, its escapes, and its times."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

#: Stands for a separator that a message does not declare; no text that is read holds it.
_NONE: Final = "\x00"
_TIME: Final = re.compile(r"(\d{4})(\d\d)(\d\d)(\d\d)(\d\d)(?:(\d\d)(\.\d{1,9})?)?([+-]\d{4})?")


@dataclass(frozen=True, slots=True)
class Separators:
    """What separates fields, components, repetitions and subcomponents, and what begins an escape."""

    field: str
    component: str
    repetition: str = _NONE
    escape: str = _NONE
    subcomponent: str = _NONE

    def unescape(self, text: str) -> str:
        r"""Return a value with its escapes resolved.

        ``\F\ \S\ \T\ \R\ \E\`` (with the declared escape character) are the separators themselves,
        ``\X..\`` is bytes in hexadecimal, ``\.br\`` a line break, ``\H\`` and ``\N\`` are highlighting and
        vanish. What is none of these, or never closes, stays as it stands.
        """
        mark = self.escape
        if mark not in text:
            return text
        named = {
            "F": self.field, "S": self.component, "T": self.subcomponent, "R": self.repetition, "E": mark,
            "H": "", "N": "", ".br": "\n",
        }  # fmt: skip
        out, at = [], 0
        while (start := text.find(mark, at)) >= 0:
            end = text.find(mark, start + 1)
            if end < 0:
                break
            name = text[start + 1 : end]
            told = named.get(name)
            if told is None or told == _NONE:
                told = _hexadecimal(name)
            if told is None:
                # no escape: the second mark may begin one
                out.append(text[at:end])
                at = end
                if len(name) == 0:
                    out.append(mark)
                    at = end + 1
                continue
            out += (text[at:start], told)
            at = end + 1
        out.append(text[at:])
        return "".join(out)


def _hexadecimal(name: str) -> str | None:
    if not re.fullmatch(r"X(?:[0-9A-Fa-f]{2})+", name):
        return None
    data = bytes.fromhex(name[1:])
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def separators_of(header: str) -> Separators | None:
    """Return the separators that an MSH segment declares, or None where these cannot be told apart.

    A fifth character of MSH-2 (truncation) means nothing here.
    """
    field = header[3:4]
    declared = header[4:].split(field, 1)[0] if field else ""
    every = field + declared
    plain = every.isascii() and every.isprintable() and not any(c.isalnum() or c in " ." for c in every)
    if not declared or len(declared) > 5 or not plain or len(set(every)) < len(every):
        return None
    return Separators(field, *declared[:4])


def iso_time(text: str, offset: str) -> str | None:
    """Return a time of HL7 (``YYYYMMDDHHMM[SS[.S]][+ZZZZ]``) in ISO 8601.

    Parameters
    ----------
    text
        The time as written.
    offset
        Offset for a time that has none, ``+01:00``, or empty.

    Returns
    -------
    str or None
        None for an empty text; a text that is no time to the minute stays as it is.
    """
    if not text:
        return None
    if len(text) == 19 and text[14] in "+-" and text[:14].isdecimal() and text[15:].isdecimal():
        # the common form, without the cost of a pattern
        day, clock = f"{text[:4]}-{text[4:6]}-{text[6:8]}", f"{text[8:10]}:{text[10:12]}:{text[12:14]}"
        return f"{day}T{clock}{text[14:17]}:{text[17:]}"
    match = _TIME.fullmatch(text)
    if match is None:
        return text
    year, month, day, hour, minute, second, fraction, zone = match.groups()
    tail = f"{zone[:3]}:{zone[3:]}" if zone else offset
    return f"{year}-{month}-{day}T{hour}:{minute}:{second or '00'}{fraction or ''}{tail}"


def offset_of(text: str) -> str:
    """Return the offset that a time carries, ``+01:00``, or an empty text."""
    tail = text[-5:]
    return f"{tail[:3]}:{tail[3:]}" if len(tail) == 5 and tail[0] in "+-" and tail[1:].isdecimal() else ""
