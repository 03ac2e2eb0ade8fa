"""Records found on the bytes: the same whatever the blocks, and the same as a parser finds."""

from __future__ import annotations

import io
import json
import random
from collections.abc import Callable
from xml.etree import ElementTree as ET

import pytest

from dripledger.errors import InputError
from dripledger.sources.furniture import FurnishedSplitter
from dripledger.sources.json_scan import ArraySplitter
from dripledger.sources.records import LineSplitter, Splitter
from dripledger.sources.xml_elements import RecordReader
from dripledger.sources.xml_scan import ElementSplitter


def _in_blocks(make: Callable[[], Splitter], data: bytes, size: int) -> tuple[int, list[bytes]]:
    """Consume data in blocks of about `size`; return the count, and the records split block by block."""
    splitter, count, at, buffer, records = make(), 0, 0, b"", []
    while True:
        chunk = data[at : at + size]
        at += len(chunk)
        buffer += chunk
        context = splitter.context
        number, consumed = splitter.consume(buffer, not chunk)
        count += number
        again = make()
        again.resume(context)
        if number:
            block = buffer[:consumed]
            records += [block[row.start : row.end] for row in again.split(block)]
        buffer = buffer[consumed:]
        if not chunk:
            assert not buffer
            return count, records


def _json_value(rng: random.Random, depth: int) -> object:
    texts = ["", "a", '"', "\\", '\\"', "]", "}", ",", '{"', "é", "\\\\", "x]y", "\n"]
    kind = rng.randrange(3 if depth > 2 else 5)
    if kind == 0:
        return rng.choice(texts) + rng.choice(texts)
    if kind == 1:
        return rng.choice([1, -2.5, 1e9, True, None])
    if kind == 2:
        return rng.choice([[], {}])
    if kind == 3:
        return [_json_value(rng, depth + 1) for _ in range(rng.randrange(3))]
    return {rng.choice(texts): _json_value(rng, depth + 1) for _ in range(rng.randrange(3))}


@pytest.mark.parametrize("path", ["", "a", "a.b"])
def test_elements_of_an_array(path: str) -> None:
    rng = random.Random(11)
    for turn in range(400):
        elements = [_json_value(rng, 0) for _ in range(rng.randrange(6))]
        document: object = elements
        for step in reversed(path.split(".") if path else []):
            document = {"first": _json_value(rng, 0), step: document, "last": _json_value(rng, 1)}
        data = json.dumps(document, indent=rng.choice([None, 1]), ensure_ascii=False).encode()
        count, records = _in_blocks(lambda: ArraySplitter(path), data, rng.choice([1, 7, 50, 10_000]))
        assert count == len(elements), (turn, data)
        assert [json.loads(record) for record in records] == elements


def test_an_array_that_was_cut_keeps_what_came_before() -> None:
    data = json.dumps([{"a": n, "b": "]"} for n in range(9)]).encode()
    for cut in range(1, len(data) - 1):
        splitter = ArraySplitter("")
        count, _ = splitter.consume(data[:cut], True)
        assert splitter.finish() == ["the document ends before it is closed: the file was cut"]
        again = ArraySplitter("")
        assert count == sum(1 for _ in again.split(data[:cut])), cut


def _xml_document(rng: random.Random) -> tuple[bytes, int]:
    out = ['<?xml version="1.0"?><!-- <event/> --><x:log xmlns:x="urn:a" note="a > b">']
    count = 0
    for _ in range(rng.randrange(4)):
        out.append(f'<x:pump id="{rng.randrange(99)}">')
        for _ in range(rng.randrange(4)):
            count += 1
            body = rng.choice([
                "<Rate>1</Rate>", "", "<![CDATA[</x:event><x:event>]]>",
                "<!-- </x:event> --><Rate unit='>'/>",
                "<eventful/><x:events>2</x:events>", "text &lt; &amp;",
            ])  # fmt: skip
            out.append(
                rng.choice([f"<x:event Seq='{count}'>{body}</x:event >", f'<x:event Seq="{count}" />'])
            )
        out.append(rng.choice(["", "<other><x:event/></other>", " \n ", "<!-- <x:event> -->"]) + "</x:pump>")
    return "".join([*out, "<end/></x:log>\n"]).encode(), count


def test_elements_of_a_document() -> None:
    rng = random.Random(5)
    steps = ("log", "pump", "event")
    for _ in range(400):
        data, expected = _xml_document(rng)
        size = rng.choice([1, 7, 60, 10_000])
        count, records = _in_blocks(lambda: ElementSplitter(steps), data, size)
        assert count == expected == len(records), data
        oracle = [
            element.get("Seq") for pump in ET.parse(io.BytesIO(data)).getroot()
            for element in pump if element.tag == "{urn:a}event"
        ]  # fmt: skip
        reader, splitter = RecordReader(steps, ["Seq", "../@id", "Rate"]), ElementSplitter(steps)
        for counted in (expected, -1):
            splitter.resume("")
            rows = reader.read(data, splitter, counted)
            assert [row and row[0] for row in rows] == oracle


@pytest.mark.parametrize(
    "text",
    ["<log><!DOCTYPE a></log>", '<!DOCTYPE log [<!ENTITY a "b">]><log/>', "<log></log><log/>", "<log></b>",
     "<log><a <b></a></log>"],
)  # fmt: skip
def test_documents_that_are_refused(text: str) -> None:
    splitter = ElementSplitter(("log", "event"))
    with pytest.raises(InputError):
        splitter.consume(text.encode(), True)


def test_footers_are_checked_since_the_one_before() -> None:
    def make() -> FurnishedSplitter:
        splitter = FurnishedSplitter(LineSplitter(), "*** end, {records} rows ***")
        splitter.begin(b"head")
        return splitter

    data = b"a\nb\n*** end, 2 rows ***\nhead\nc\n*** end, 1 rows ***\n"
    for size in (1, 5, 100):
        assert _in_blocks_with_header(make, data, size) == 3
    splitter = make()
    with pytest.raises(InputError, match="tells 3 records, and 2 were counted"):
        splitter.consume(data.replace(b"2 rows", b"3 rows"), True)
    splitter = make()
    splitter.consume(data + b"d\n", True)
    assert "footer that the mapping declares is missing" in splitter.finish()[0]


def _in_blocks_with_header(make: Callable[[], FurnishedSplitter], data: bytes, size: int) -> int:
    splitter, buffer, count, at = make(), b"", 0, 0
    while True:
        chunk = data[at : at + size]
        at += len(chunk)
        number, consumed = splitter.consume(buffer + chunk, not chunk)
        buffer, count = (buffer + chunk)[consumed:], count + number
        if not chunk:
            assert splitter.finish() == []
            assert splitter.furniture == 3
            return count


@pytest.mark.parametrize(
    ("text", "padded"),
    [('{"a": "b c", "d": [1, "e"]}', False), ('{"a": " b"}', True), ('{"a": "b "}', True),
     ('{"a":"b\\t"}', True), ('{"a":"\\u0020b"}', True), ('{"a": "b",\n "c": 1}', False)],
)  # fmt: skip
def test_padded_objects(text: str, padded: bool) -> None:
    assert LineSplitter().padded(text.encode()) is padded
