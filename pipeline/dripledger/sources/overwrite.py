"""A record as it was written, with what may be personal overwritten: ``#`` for every byte.

Shown is only what the mapping reads and does not mark as personal. A field that no mapping reads may hold
a name,
so it is overwritten as well; and where a record cannot be taken apart, all of it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from typing import Final, TypeAlias

from dripledger.sources.mapping import Mapping
from dripledger.sources.parts import MAPPABLE
from dripledger.sources.records import DelimitedSplitter
from dripledger.sources.workbook_scan import UNIT_SEPARATOR

#: Half-open byte ranges of a record's text as UTF-8.
Ranges: TypeAlias = list[tuple[int, int]]
#: Whether the value of a raw field may be shown.
Shown: TypeAlias = Callable[[str], bool]

_MARK: Final = "#"
#: What is shown of a device message: segment -> fields. All else is overwritten: names, addresses, the
#: user, notes.
_MESSAGE_FIELDS: Final = {
    b"MSH": frozenset({0, 1, 6, 8, 9, 10, 11}),
    b"OBR": frozenset({1, 3, 4, 7, 22, 29}),
    b"OBX": frozenset({1, 2, 3, 4, 5, 6, 8, 11, 14, 17, 18}),
}
_JSON: Final = re.compile(rb'[{}\[\],:]|"(?:[^"\\]|\\.)*"|[^\s{}\[\],:"]+', re.DOTALL)
_XML: Final = re.compile(
    rb"(<!--.*?-->)|(<!\[CDATA\[.*?\]\]>)|(<\?.*?\?>)"
    rb"|<(/?)([^\s/>]+)((?:[^>\"']|\"[^\"]*\"|'[^']*')*?)(/?)>|([^<]+)",
    re.DOTALL,
)
_ATTRIBUTE: Final = re.compile(rb"([^\s=]+)\s*=\s*(\"([^\"]*)\"|'([^']*)')", re.DOTALL)


def shown_fields(mapping: Mapping) -> Shown:
    """Return whether a raw field may be shown: the mapping reads it and does not mark it as personal."""
    hidden = mapping.masked_fields | mapping.keyed_fields | mapping.pseudonym_fields
    read = set(mapping.raw_fields())
    if mapping.canonical:
        read |= {prefix + name for name in MAPPABLE for prefix in ("", "item.")}

    def shown(name: str) -> bool:
        return name in read and name not in hidden

    return shown


def hidden_ranges(mapping: Mapping, header: bytes, data: bytes) -> Ranges:
    """Return the byte ranges of a record that have to be overwritten.

    Parameters
    ----------
    mapping
        The source that the record is of.
    header
        The file's header as UTF-8, empty where the shape has none.
    data
        The record's text as UTF-8, as the splitter gives it.
    """
    shown = shown_fields(mapping)
    whole: Ranges = [(0, len(data))]
    match mapping.shape:
        case "delimited":
            found = _delimited(mapping, header, data, shown)
        case "workbook":
            found = _cells(header, data, shown)
        case "fixed_width":
            found = _fixed(mapping, data, shown)
        case "json_lines" | "json_array":
            found = _json(mapping, data, shown)
        case "xml":
            found = _xml(data, shown)
        case "hl7":
            found = _message(data)
        case _:
            found = None
    return whole if found is None else [(a, b) for a, b in found if b > a]


def _delimited(mapping: Mapping, header: bytes, data: bytes, shown: Shown) -> Ranges | None:
    told = mapping.delimited
    splitter = DelimitedSplitter(told.separator, told.quote)
    heads = [record.fields for record in splitter.split(header)]
    if len(heads) != 1 or heads[0] is None:
        return None
    names = [name.decode("utf-8", "replace").strip().lstrip("\ufeff") for name in heads[0]]
    places = _places(data, told.separator.encode(), told.quote.encode())
    if places is None or len(places) != len(names):
        return None
    return [span for name, span in zip(names, places, strict=True) if not shown(name)]


def _places(data: bytes, separator: bytes, quote: bytes) -> Ranges | None:
    """Return where the values of a delimited record stand, without their quotes; None: it cannot be split."""
    found: Ranges = []
    at, size = 0, len(data)
    while True:
        head = at
        while head < size and data[head : head + 1] == b" ":
            head += 1
        if data[head : head + 1] == quote:
            close = head + 1
            while True:
                close = data.find(quote, close)
                if close < 0:
                    return None
                if data[close + 1 : close + 2] != quote:
                    break
                close += 2
            found.append((head + 1, close))
            at = close + 1
            while at < size and data[at : at + 1] == b" ":
                at += 1
            if at < size and data[at : at + 1] != separator:
                return None
        else:
            end = data.find(separator, at)
            end = size if end < 0 else end
            found.append((at, end))
            at = end
        if at >= size:
            return found
        at += 1


def _cells(header: bytes, data: bytes, shown: Shown) -> Ranges | None:
    mark = UNIT_SEPARATOR.encode()
    names = [name.decode("utf-8", "replace").strip() for name in header.split(mark)]
    found, at = [], 0
    for place, cell in enumerate(data.split(mark)):
        if place >= len(names) or not shown(names[place]):
            found.append((at, at + len(cell)))
        at += len(cell) + len(mark)
    return found


def _fixed(mapping: Mapping, data: bytes, shown: Shown) -> Ranges | None:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return None
    visible = [False] * len(text)
    for column in mapping.fixed_width.columns:
        if shown(column.name):
            for place in range(column.start - 1, min(column.start - 1 + column.width, len(text))):
                visible[place] = True
    found, at = [], 0
    for place, character in enumerate(text):
        length = len(character.encode("utf-8"))
        if not visible[place] and not character.isspace():
            found.append((at, at + length))
        at += length
    return merged(found)


def _json(mapping: Mapping, data: bytes, shown: Shown) -> Ranges | None:
    """Overwrite the values of a JSON text: those inside the array of `each` are fields ``item.NAME``."""
    each = mapping.each
    found: Ranges = []
    stack: list[tuple[str, str]] = []  # (what it is, its path)
    key: str | None = None
    waiting = False  # a key was read and its value comes
    for token in _JSON.finditer(data):
        text = token[0]
        kind, path = stack[-1] if stack else ("", "")
        if text in (b"{", b"["):
            place = _joined(path, key, kind)
            if kind == "array" and each is not None and path == each:
                place = "item"
            stack.append(("object" if text == b"{" else "array", place))
            key, waiting = None, False
        elif text in (b"}", b"]"):
            if not stack:
                return None
            stack.pop()
            key, waiting = None, False
        elif text == b":":
            waiting = True
        elif text == b",":
            key, waiting = None, False
        elif kind == "object" and not waiting:
            key = _unquoted(text)
        else:
            name = _joined(path, key, kind)
            if not shown(name):
                inner = 1 if text[:1] == b'"' else 0
                found.append((token.start() + inner, token.end() - inner))
    # what the pattern passes over is white space, and nothing else may be
    rest = _JSON.sub(b"", data)
    return None if stack or rest.strip() else found


def _joined(path: str, key: str | None, kind: str) -> str:
    if kind == "array":
        return f"{path}.[]"
    if key is None:
        return path
    return f"{path}.{key}" if path else key


def _unquoted(text: bytes) -> str:
    import json

    try:
        return str(json.loads(text))
    except ValueError:
        return text.decode("utf-8", "replace")


def _xml(data: bytes, shown: Shown) -> Ranges | None:
    found: Ranges = []
    stack: list[str] = []
    ends = 0
    for piece in _XML.finditer(data):
        if piece.start() != ends:
            return None
        ends = piece.end()
        comment, cdata, command, closing, tag, attributes, empty, text = piece.groups()
        if comment is not None:
            found.append((piece.start() + 4, piece.end() - 3))
        elif command is not None:
            found.append((piece.start() + 2, piece.end() - 2))
        elif cdata is not None or text is not None:
            name = "/".join(stack[1:])
            if not (name and shown(name)):
                start, end = (piece.start() + 9, piece.end() - 3) if cdata is not None else piece.span()
                found += _no_space(data, start, end)
        elif closing:
            if not stack:
                return None
            stack.pop()
        else:
            stack.append(tag.rpartition(b":")[2].decode("utf-8", "replace"))
            place = "/".join(stack[1:])
            for attribute in _ATTRIBUTE.finditer(attributes):
                own = attribute[1].rpartition(b":")[2].decode("utf-8", "replace")
                names = (f"{place}/@{own}",) if place else (f"@{own}", own)
                if not any(map(shown, names)) and not attribute[1].startswith(b"xmlns"):
                    found.append(
                        (piece.start(6) + attribute.start(2) + 1, piece.start(6) + attribute.end(2) - 1)
                    )
            if empty:
                stack.pop()
    return None if stack or ends != len(data) else found


def _no_space(data: bytes, start: int, end: int) -> Iterator[tuple[int, int]]:
    """Yield the words of a range: white space between elements stays as it is."""
    for word in re.finditer(rb"\S+", data[start:end]):
        yield start + word.start(), start + word.end()


def _message(data: bytes) -> Ranges | None:
    start = data.find(b"MSH")
    if start < 0 or len(data) < start + 4:
        return None
    separator = data[start + 3 : start + 4]
    found: Ranges = [(0, start)] if data[:start].strip(b"\x0b\r\n ") else []
    for line in re.finditer(rb"[^\r\n\x0b\x1c]+", data[start:]):
        fields = line[0].split(separator)
        at = start + line.start()
        allowed = _MESSAGE_FIELDS.get(fields[0], frozenset())
        for place, value in enumerate(fields):
            # in MSH the separator itself is the first field, so that what follows the name is the second
            if place and place not in allowed and not (fields[0] == b"MSH" and place == 1):
                found.append((at, at + len(value)))
            at += len(value) + 1
    return found


def merged(ranges: Sequence[tuple[int, int]]) -> Ranges:
    """Return ranges in order, those that touch as one."""
    out: Ranges = []
    for start, end in sorted(ranges):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out


def overwrite(data: bytes, ranges: Sequence[tuple[int, int]], codec: str) -> tuple[bytes, Ranges]:
    """Return a record in its file's encoding with some ranges overwritten, and where these lie there.

    Parameters
    ----------
    data
        The record's text as UTF-8.
    ranges
        Byte ranges of it.
    codec
        Python's name of the file's encoding.

    Returns
    -------
    tuple
        As many bytes as the record has in its file, ``#`` for each unit of what is overwritten; the ranges.
    """
    if codec in ("utf-8", "none"):
        out = bytearray(data)
        spans = merged(ranges)
        for start, end in spans:
            out[start:end] = b"#" * (end - start)
        return bytes(out), spans
    unit = len(_MARK.encode(codec))
    hide = bytearray(len(data))
    for start, end in ranges:
        hide[start:end] = b"\x01" * (end - start)
    text = data.decode("utf-8", "replace")
    pieces, spans, at, here = [], [], 0, 0
    for character in text:
        raw = character.encode(codec, "replace")
        if hide[at : at + 1] == b"\x01":
            spans.append((here, here + len(raw)))
            raw = _MARK.encode(codec) * (len(raw) // unit)
        pieces.append(raw)
        at += len(character.encode("utf-8"))
        here += len(raw)
    return b"".join(pieces), merged(spans)
