"""Records on the bytes: counted, split, kept in frames."""

from __future__ import annotations

import random
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from dripledger.sources import originals
from dripledger.sources.one_pass import _first_record
from dripledger.sources.records import DelimitedSplitter, LineSplitter, Record

COMMA = DelimitedSplitter(",", '"')


@pytest.mark.parametrize(
    ("data", "fields"),
    [
        (b"a,b\nc,d\n", [[b"a", b"b"], [b"c", b"d"]]),
        (b"a,b\r\n\r\n\nc,d", [[b"a", b"b"], [b"c", b"d"]]),
        (b'"a,1","b\n2"\nc,d\n', [[b"a,1", b"b\n2"], [b"c", b"d"]]),
        (b'"a ""x""",b\n', [[b'a "x"', b"b"]]),
        (b' "a" ,b\n', [[b"a", b"b"]]),
        (b'5" tube,b\n', [[b'5" tube', b"b"]]),
        (b'a,"b\nc,d\ne,f\n', [None, [b"c", b"d"], [b"e", b"f"]]),
        (b'a,"b\nc,"d"\n', [None, [b"c", b"d"]]),
        (b'a,"b"x\nc,d\n', [None, [b"c", b"d"]]),
        (b"a,\n,\n", [[b"a", b""], [b"", b""]]),
    ],
)
def test_split(data: bytes, fields: list[list[bytes] | None]) -> None:
    assert [record.fields for record in COMMA.split(data)] == fields
    assert COMMA.consume(data, True) == (len(fields), len(data))


def test_counting_by_arrays_agrees_with_walking() -> None:
    """Whole-array counting, one-by-one counting and counting in two blocks give the same number."""
    rng = random.Random(7)
    for turn in range(6000):
        letters = b'a,"\n' if turn % 2 else b'a,"\n\r "'
        data = bytes(rng.choice(letters) for _ in range(rng.randint(0, 14)))
        count, consumed = COMMA.consume(data, True)
        assert count == sum(1 for _ in COMMA.split(data)), data
        assert consumed >= len(data)
        cut = rng.randint(0, len(data))
        first, taken = COMMA.consume(data[:cut], False)
        assert taken <= cut
        second, _ = COMMA.consume(data[taken:], True)
        assert first + second == count, (data, cut)


def test_lines() -> None:
    data = b'{"a": 1}\n\n  \n{"b": 2}\r\nx'
    assert LineSplitter().consume(data, True)[0] == 3
    assert [r.start for r in LineSplitter().split(data)] == [0, 13, 23]


@pytest.mark.parametrize(("data", "padded"), [(b"a b,c\n", False), (b"a ,c\n", True), (b"a,c\t\n", True)])
def test_padded(data: bytes, padded: bool) -> None:
    assert COMMA.padded(data) is padded


def test_originals(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames hold whole records and give every byte back; nobody else can read them."""
    monkeypatch.setattr(originals, "FRAME_BYTES", 64)
    rng = random.Random(3)
    lines = [b"h1,h2"] + [b'%d,"%s"' % (i, b"x\n" * rng.randint(0, 20)) for i in range(60)]
    data = b"\xef\xbb\xbf" + b"\r\n".join(lines)
    path = tmp_path / "file.csv"
    path.write_bytes(data)
    root = tmp_path / "originals"
    told = originals.archive(path, root, originals.Reading(COMMA, has_header=True))
    assert (told.records, told.header, told.size_bytes) == (60, b"h1,h2", len(data))
    assert told.sha256 == originals.hash_file(path)
    found = originals.open_original(root, told.sha256)
    assert found == told
    assert b"".join(originals.read_frame(found, frame) for frame in found.frames) == data
    assert len(found.frames) > 5
    assert sum(frame.records for frame in found.frames) == 60
    for frame in found.frames[1:]:
        if frame.records:
            told_back = next(originals.read_records(found, COMMA, [frame.record]))
            assert (told_back.number, told_back.offset) == (frame.record, frame.offset)
            assert data[told_back.offset :][: told_back.length] == told_back.data
    assert [r.number for r in originals.read_records(found, COMMA, [7, 59])] == [7, 59]
    for file in root.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(root.stat().st_mode) == 0o700
    assert originals.unpack(found, tmp_path / "back").read_bytes() == data


def test_a_header_after_many_blank_lines_is_found_in_one_look() -> None:
    looks: list[int] = []

    class Watched(DelimitedSplitter):
        def split(self, block: bytes) -> Iterator[Record]:
            looks.append(len(block))
            return super().split(block)

    blank = b"\n" * 20_000
    assert _first_record(blank + b"a,b\n1,2\n", 0, Watched(",", '"'), True) == (b"a,b", 20_004)
    assert _first_record(blank + b"a,b", 0, Watched(",", '"'), False) is None
    assert looks == [20_008, 20_003]


def test_a_quote_that_opens_the_header_and_never_closes_is_looked_at_once() -> None:
    splitter = DelimitedSplitter(",", '"')
    lines = b'"a,b\n' + b"1,2\n" * 1_000
    assert _first_record(lines, 0, splitter, True) == (b'"a,b', 5)
    assert _first_record(lines, 0, splitter, False) is None
    assert _first_record(b'"a\nb",c\n1,2\n', 0, splitter, False) == (b'"a\nb",c', 8)
