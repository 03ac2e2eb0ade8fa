"""Messages are counted on the bytes, whatever ends a segment and wherever a block is cut."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.functional.hl7.messages import alert, device_event, event, text

from dripledger.sources.hl7.message import NO_MESSAGE, read_block
from dripledger.sources.hl7.splitter import LONGEST_MESSAGE_BYTES, MessageSplitter

ONE = event("start", "20260114080000-0600")
TWO = alert("start", "20260114081500-0600")
THREE = device_event("clock", "20260114083000-0600")


def records(data: bytes) -> list[bytes]:
    return [data[r.start : r.end] for r in MessageSplitter().split(data)]


def read(data: bytes) -> int:
    return sum(1 for _ in read_block(data.decode(), {}))


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n"])
def test_any_segment_end(end: str) -> None:
    data = text(ONE, TWO, THREE, end=end).encode()
    assert MessageSplitter().consume(data, True) == (3, len(data))
    assert [r[:3] for r in records(data)] == [b"MSH"] * 3
    assert records(data)[0] == end.join(ONE).encode()
    assert read(data) == 3


def test_last_segment_without_an_end_and_blank_lines_between() -> None:
    data = text(ONE).encode() + b"\r\n\r\n" + text(TWO).encode().rstrip(b"\r")
    assert MessageSplitter().consume(data, True)[0] == len(records(data)) == read(data) == 2


def test_mllp_framing_belongs_to_no_message() -> None:
    framed = b"".join(b"\x0b" + text(m).encode() + b"\x1c\r" for m in (ONE, TWO))
    assert MessageSplitter().consume(framed, True)[0] == 2
    assert records(framed) == [text(m).encode().rstrip(b"\r") for m in (ONE, TWO)]
    assert read(framed) == 2


def test_batch_segments_are_no_messages_and_end_one() -> None:
    data = text(
        ["FHS|^~\\&|GATEWAY", "BHS|^~\\&|GATEWAY"],
        ONE,
        ["BTS|1"],
        ["BHS|^~\\&"],
        TWO,
        THREE,
        ["BTS|2", "FTS|2"],
    ).encode()
    assert MessageSplitter().consume(data, True)[0] == read(data) == 3
    assert [r.count(b"BTS") + r.count(b"BHS") for r in records(data)] == [0, 0, 0]


def test_only_a_segment_of_that_name_begins_a_message() -> None:
    odd = [*ONE, "MSHX|no header", "NTE|1||the text MSH|^~\\& inside a value", "ZMS|MSH"]
    data = text(odd, TWO).encode()
    assert MessageSplitter().consume(data, True)[0] == len(records(data)) == read(data) == 2


def test_text_that_belongs_to_no_message_is_one_record_that_waits() -> None:
    data = text(ONE[5:], TWO, ["BTS|1", "OBX|1|ST|lost", "OBX|2|ST|lost"]).encode()
    assert MessageSplitter().consume(data, True)[0] == len(records(data)) == 3
    kinds = [told if isinstance(told, str) else "row" for told in read_block(data.decode(), {})]
    assert kinds == [NO_MESSAGE, "row", NO_MESSAGE]


def test_what_never_ends_is_cut_and_cannot_be_split() -> None:
    block = b"MSH|^~\\&|" + b"x" * LONGEST_MESSAGE_BYTES
    count, taken = MessageSplitter().consume(block, False)
    assert count == 1
    assert 0 < taken <= len(block)
    assert [r.fields for r in MessageSplitter().split(block[:taken])] == [None]
    assert MessageSplitter().consume(b" " * LONGEST_MESSAGE_BYTES, False)[0] == 0


PIECES = st.sampled_from(
    [
        text(ONE[:4]),
        text(TWO[:3], end="\n"),
        text(THREE[:3], end="\r\n"),
        "\x0b" + text(ONE[:2]) + "\x1c\r",
        "FHS|^~\\&\r",
        "BHS|^~\\&\n",
        "BTS|1\r",
        "FTS|1\r\n",
        "\r\n",
        "OBX|9|ST|stray\r",
        "MSH\r",
        "MSHZ|x\r",
        "MSH|^~\\&|\u00e9\u00fc\r",
        "MSH\u00e9\r",
        "  \r",
    ]
)


@settings(deadline=None)
@given(st.lists(PIECES, max_size=12), st.lists(st.integers(1, 90), max_size=8))
def test_blocks_give_the_count_of_the_whole(pieces: list[str], steps: list[int]) -> None:
    data = "".join(pieces).encode()
    splitter = MessageSplitter()
    whole, taken = splitter.consume(data, True)
    assert taken == len(data)
    assert whole == len(records(data)) == read(data)
    # as the archive does it: blocks of any size, each holding whole records only
    buffer, rest, counted, found = b"", data, 0, []
    for step in [*steps, len(data) + 1]:
        chunk, rest = rest[:step], rest[step:]
        buffer += chunk
        final = step > len(data)
        count, taken = splitter.consume(buffer, final)
        assert count == len(records(buffer[:taken]))
        found += records(buffer[:taken])
        counted, buffer = counted + count, buffer[taken:]
    assert buffer == b""
    assert counted == whole
    assert found == records(data)
