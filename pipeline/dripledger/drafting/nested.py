"""Shapes that nest, JSON lines and arrays and XML: which part is a record, what its raw fields are called."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from typing import Any, Final, cast
from xml.etree import ElementTree as ET
from xml.parsers import expat

from dripledger.drafting.lines import whole_lines
from dripledger.drafting.sample import SAMPLE_RECORDS, Head, Sample, Values
from dripledger.errors import InputError

_DEEPEST: Final = 6
#: A text, whatever signs stand in it, or a sign that opens or closes.
_NESTING: Final = re.compile(r'"(?:[^"\\]|\\.)*"|[{}\[\]]')
_ELEMENTS: Final = ", and the elements of its array {!r} are what happened"


def _flat(value: Any, prefix: str = "", depth: int = 0) -> Iterator[tuple[str, str | None]]:
    """Yield (dotted path, text) of what an object holds; arrays are left out."""
    if isinstance(value, dict) and depth <= _DEEPEST:
        for key, inner in value.items():
            if key and "." not in key:
                yield from _flat(inner, f"{prefix}.{key}" if prefix else key, depth + 1)
    elif not isinstance(value, dict | list) and prefix:
        yield prefix, _text(value)


def _text(value: Any) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value).strip() or None


def _columns(rows: list[dict[str, str | None]]) -> Values:
    names = list(dict.fromkeys(name for row in rows for name in row))
    return {name: [row.get(name) for row in rows] for name in names}


def _arrays(value: Any, prefix: str = "", depth: int = 0) -> Iterator[tuple[str, list[Any]]]:
    """Yield (dotted path, elements) of the arrays of objects inside an object."""
    if isinstance(value, dict) and depth <= _DEEPEST:
        for key, inner in value.items():
            if not key or "." in key:
                # no dotted path leads there
                continue
            path = f"{prefix}.{key}" if prefix else key
            if isinstance(inner, list) and inner and all(isinstance(one, dict) for one in inner):
                yield path, inner
            else:
                yield from _arrays(inner, path, depth + 1)


def json_lines(head: Head) -> Sample | None:
    """Return the sample of a file with one JSON object a line; None where it is none."""
    objects = []
    lines = whole_lines(head)[:SAMPLE_RECORDS]
    for line in lines:
        try:
            value = json.loads(line, parse_float=str, parse_int=str)
        except ValueError:
            continue
        if isinstance(value, dict):
            objects.append(value)
    if len(objects) < max(1, 0.6 * len(lines)) or (len(lines) == 1 and not head.complete):
        return None
    each, rows, others = _unfolded(objects)
    why = f"each line is a JSON object{_ELEMENTS.format(each) if each else ''}"
    options: dict[str, Any] = {"each": each} if each else {}
    sample = Sample("json_lines", options, _columns(rows[:SAMPLE_RECORDS]), why)
    sample.notes += _unread(others)
    if len(objects) < len(lines):
        sample.notes.append(f"{len(lines) - len(objects)} of the first {len(lines)} lines are no JSON object")
    return sample


def _unfolded(
    objects: list[dict[str, Any]],
) -> tuple[str | None, list[dict[str, str | None]], list[str]]:
    """Return the longest of the arrays that half of the objects hold, and the fields of its elements.

    Without one (None) the fields are those of the objects. Last come the paths of the other arrays.
    """
    held: Counter[str] = Counter()
    elements: Counter[str] = Counter()
    for one in objects:
        for path, inner in _arrays(one):
            held[path] += 1
            elements[path] += len(inner)
    often = [path for path, n in held.items() if n >= 0.5 * len(objects)]
    if not often:
        return None, [dict(_flat(one)) for one in objects], []
    each = max(often, key=lambda path: elements[path])
    rows = []
    for one in objects:
        around = dict(_flat(one))
        for element in dict(_arrays(one)).get(each, []):
            rows.append({**around, **{f"item.{k}": v for k, v in _flat(element)}})
    return each, rows, [path for path in held if path != each]


def _unread(lists: list[str]) -> list[str]:
    """Say which lists of the records stay unread: a mapping reads one."""
    named = ", ".join(repr(path) for path in lists)
    return [f"a mapping reads one list of a record; not read are {named}"] if lists else []


def json_array(head: Head) -> Sample | None:
    """Return the sample of a JSON document that is, or holds, an array of objects; None where it is none."""
    text = head.text.lstrip()
    if text[:1] not in ("[", "{"):
        return None
    path, elements = "", list(_elements(text, 0)) if text[0] == "[" else []
    if text[0] == "{":
        found = _array_inside(text)
        if found is None:
            return None
        path, at = found
        elements = list(_elements(text, at))
    if not elements:
        return None
    each, rows, others = _unfolded(elements)
    options = {name: value for name, value in (("path", path), ("each", each)) if value}
    told = f"an array at {path!r}" if path else "an array"
    why = f"the file is {told} of JSON objects{_ELEMENTS.format(each) if each else ''}"
    values = _columns(rows[:SAMPLE_RECORDS])
    # what stands beside the list belongs to what the array is named for: an id of ``pumps`` is a pump's
    kept = path.rpartition(".")[2] if each else ""
    meanings = {name: f"{kept} {name}" for name in values if kept and not name.startswith("item.")}
    sample = Sample("json_array", options, values, why, meanings=meanings)
    sample.notes += _unread(others)
    return sample


def _elements(text: str, at: int) -> Iterator[dict[str, Any]]:
    """Yield the objects of an array, as many as the sample holds whole; a part of a first one."""
    decoder = json.JSONDecoder(parse_float=str, parse_int=str)
    at += 1
    first = True
    for _ in range(SAMPLE_RECORDS):
        while at < len(text) and text[at] in " \t\r\n,":
            at += 1
        if at >= len(text) or text[at] != "{":
            return
        try:
            value, at = decoder.raw_decode(text, at)
        except ValueError:
            if first and (begun := _begun(text[at:])) is not None:
                yield begun
            return
        first = False
        yield value


def _begun(text: str) -> dict[str, Any] | None:
    """Return an object that the sample cuts off, as far as the elements of its arrays are there whole.

    One pump's list of events may be longer than the sample.
    """
    stack: list[str] = []
    end, closing = 0, ""
    for token in _NESTING.finditer(text):
        sign = token[0]
        if sign in "{[":
            stack.append("}" if sign == "{" else "]")
        elif sign in "}]":
            if not stack or stack.pop() != sign:
                return None
            if sign == "}" and stack and stack[-1] == "]":
                end, closing = token.end(), "".join(reversed(stack))
    if not end:
        return None
    try:
        value = json.loads(text[:end] + closing, parse_float=str, parse_int=str)
    except ValueError:
        return None
    return value if isinstance(value, dict) else None


def _array_inside(text: str) -> tuple[str, int] | None:
    """Return (dotted path, place) of the first array of objects inside an object, which may be cut off."""
    decoder = json.JSONDecoder()
    path: list[str] = []
    at = 1
    while at < len(text):
        while at < len(text) and text[at] in " \t\r\n,":
            at += 1
        if at < len(text) and text[at] == "}":
            if not path:
                return None
            path.pop()
            at += 1
            continue
        try:
            key, at = decoder.raw_decode(text, at)
        except ValueError:
            return None
        while at < len(text) and text[at] in " \t\r\n:":
            at += 1
        if at < len(text) and text[at] == "[" and text[at + 1 :].lstrip()[:1] == "{":
            return ".".join([*path, str(key)]), at
        if at < len(text) and text[at] == "{":
            path.append(str(key))
            at += 1
            continue
        try:
            _, at = decoder.raw_decode(text, at)
        except ValueError:
            return None
    return None


def xml(head: Head) -> Sample | None:
    """Return the sample of an XML file: the record is the element that is repeated most, above all leaves.

    Raises
    ------
    InputError
        If it declares a document type.
    """
    if not head.text.lstrip().startswith("<"):
        return None
    paths, stack = _element_paths(head)
    if not paths:
        return None
    record = max(paths, key=lambda path: (paths[path], -len(path)))
    rows = _rows(head.text, record)
    if not rows:
        return None
    told = "/".join(record)
    assumed = [] if stack and paths[record] > 1 else ["xml.record: the sample holds one record only"]
    why = f"the element {told!r} is repeated {paths[record]} times"
    values = _columns(rows)
    meanings = {name: _around(name, record) for name in values if name.startswith("../")}
    return Sample("xml", {"record": told}, values, why, assumed, meanings=meanings)


def _around(name: str, record: tuple[str, ...]) -> str:
    """Return an attribute's name with that of its element before it: ``pump id`` for ``../@id``."""
    levels = name.count("../")
    element = record[-1 - levels] if levels < len(record) else ""
    return f"{element} {name.rpartition('@')[2]}"


def _element_paths(head: Head) -> tuple[Counter[tuple[str, ...]], bool]:
    """Count the paths of elements that hold children or attributes, in as much of the file as there is."""
    counts: Counter[tuple[str, ...]] = Counter()
    stack: list[tuple[str, bool]] = []

    def start(name: str, attributes: dict[str, str]) -> None:
        if stack and not stack[-1][1]:
            stack[-1] = (stack[-1][0], True)
        stack.append((name.rpartition(":")[2], bool(attributes)))

    def end(_: str) -> None:
        path = tuple(name for name, _ in stack)
        _, holds = stack.pop()
        if holds and path:
            counts[path] += 1

    def doctype(*_: Any) -> None:
        raise InputError(
            "declares a document type, which is refused", where=head.path, do="Export it without one"
        )

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.StartDoctypeDeclHandler = doctype
    text = head.text
    if text.lstrip().startswith("<?xml"):
        text = text[text.index("?>") + 2 :] if "?>" in text else ""
    try:
        parser.Parse(text.encode("utf-8"), False)
    except expat.ExpatError:
        return counts, False
    # what stands once in each repeated element is a part of it, such as a value with its unit
    for path in list(counts):
        around = counts.get(path[:-1], 0)
        if around > 1 and counts[path] <= 1.1 * around:
            del counts[path]
    return counts, True


def _rows(text: str, record: tuple[str, ...]) -> list[dict[str, str | None]]:
    """Return the fields of the records that the sample holds whole."""
    rows: list[dict[str, str | None]] = []
    parser: ET.XMLPullParser[ET.Element] = ET.XMLPullParser(["start", "end"])
    body = text[text.index("?>") + 2 :] if text.lstrip().startswith("<?xml") and "?>" in text else text
    stack: list[ET.Element] = []
    try:
        parser.feed(body)
        for event, element in cast("Iterator[tuple[str, ET.Element]]", parser.read_events()):
            if event == "start":
                stack.append(element)
                continue
            path = tuple(_local(one.tag) for one in stack)
            stack.pop()
            if path == record and len(rows) < SAMPLE_RECORDS:
                rows.append(_fields(element, stack))
    except ET.ParseError:
        pass
    return rows


def _local(tag: str) -> str:
    return tag.rpartition("}")[2].rpartition(":")[2]


def _fields(element: ET.Element, around: list[ET.Element]) -> dict[str, str | None]:
    found: dict[str, str | None] = {}
    for level, outer in enumerate(reversed(around), 1):
        for name, value in outer.attrib.items():
            found["../" * level + f"@{_local(name)}"] = value.strip() or None
    for child in element:
        name = _local(child.tag)
        if name in found:
            continue
        if len(child):
            for inner in child:
                found.setdefault(f"{name}/{_local(inner.tag)}", (inner.text or "").strip() or None)
        else:
            found[name] = (child.text or "").strip() or None
        for attribute, value in child.attrib.items():
            found[f"{name}/@{_local(attribute)}"] = value.strip() or None
    for attribute, value in element.attrib.items():
        name = _local(attribute)
        found[f"@{name}" if name in found else name] = value.strip() or None
    return found
