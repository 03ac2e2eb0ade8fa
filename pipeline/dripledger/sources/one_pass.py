"""The one pass over a file's bytes: hash, encoding, count of records, frames, and checks that it is text."""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Final

import zstandard

from dripledger.errors import InputError
from dripledger.sources import titles
from dripledger.sources.encodings import Transcoder, raw_length, tell
from dripledger.sources.records import LONGEST_VALUE_BYTES, Splitter

MARK: Final = b"\xef\xbb\xbf"
_HEAD_BYTES: Final = 4096


@dataclass(frozen=True, slots=True)
class Frame:
    """One independent frame.

    Parameters
    ----------
    record
        Number of its first record, from 1; the header of a delimited file has no number.
    records
        How many records it holds.
    offset, length
        Place in the file, bytes; of a compressed file: in what it unpacks to.
    packed_offset, packed_length
        Place in the compressed original, bytes.
    context
        What the splitter has to know at its first byte; see `Splitter.context`.
    """

    record: int
    records: int
    offset: int
    length: int
    packed_offset: int
    packed_length: int
    context: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """How a file is to be read.

    Parameters
    ----------
    splitter
        How its shape is cut into records; made for this file alone.
    has_header
        Whether the first record is a header.
    encoding
        What the mapping declares: ``"detect"``, ``"utf-8"``, ``"utf-16"``, ``"windows-1252"``.
    xml
        Whether the file may declare its encoding itself.
    record_bytes
        Longest record; a file with one that is longer, and not in one block, is refused.
    section
        Table of the mapping that holds `encoding`, for messages.
    columns
        Columns that a header may have.
    watch
        Called after each block with the bytes and records so far.
    title_lines
        Lines that stand above header and records.
    """

    splitter: Splitter
    has_header: bool = False
    encoding: str = "detect"
    xml: bool = False
    record_bytes: int = 16 << 20
    section: str = "delimited"
    columns: int = 2000
    watch: Callable[[int, int], None] | None = None
    title_lines: int = 0


@dataclass
class Passed:
    """What the pass found; see `Original` for its parts."""

    sha256: str = ""
    size_bytes: int = 0
    records: int = 0
    body_offset: int = 0
    header: bytes = b""
    frames: list[Frame] = field(default_factory=list)
    bad_utf8_record: int | None = None
    padded: bool = False
    even: bool = True
    encoding: str = "utf-8"
    notes: list[str] = field(default_factory=list)


def pack(data: bytes) -> bytes:
    """Return bytes as one independent frame."""
    return zstandard.ZstdCompressor(level=3, write_content_size=True).compress(data)


def one_pass(
    read: Callable[[int], bytes], write: Callable[[bytes], object], reading: Reading, frame_bytes: int
) -> Passed:
    """Go over the bytes once.

    Parameters
    ----------
    read
        Returns up to so many next bytes; none at the end.
    write
        Takes the packed frames.
    reading
        How to read the file.
    frame_bytes
        Bytes of one block.

    Raises
    ------
    InputError
        If it cannot be read; its place is filled in by the caller.
    """
    return _Pass(read, write, reading, frame_bytes).run()


class _Pass:
    def __init__(
        self,
        read: Callable[[int], bytes],
        write: Callable[[bytes], object],
        reading: Reading,
        frame_bytes: int,
    ) -> None:
        self.read, self.write, self.reading, self.frame_bytes = read, write, reading, frame_bytes
        self.splitter = reading.splitter
        self.told = Passed()
        self.transcoder: Transcoder | None = None
        self.raw = b""
        self.offset, self.packed, self.record = 0, 0, 1
        self.pending: list[tuple[int, int, int, int, str, Future[bytes]]] = []

    def run(self) -> Passed:
        """Read to the end."""
        told, splitter = self.told, self.splitter
        digest = hashlib.sha256()
        buffer, started = b"", False
        with ThreadPoolExecutor(max_workers=2) as self.pool:
            while True:
                chunk = self._chunk()
                final = not chunk
                hashing = self.pool.submit(digest.update, chunk)
                if not self.offset and not buffer and not self.raw:
                    self._open(chunk)
                text = self._text(chunk, final)
                buffer = buffer + text if buffer else text
                if not started and (buffer or final):
                    skip = len(MARK) if buffer.startswith(MARK) and not splitter.whole else 0
                    below = _below(buffer, skip, self.reading.title_lines)
                    if below is None and not final and len(buffer) < 2 * LONGEST_VALUE_BYTES:
                        hashing.result()
                        continue
                    skip = _need_lines(below, self.reading)
                    if self.reading.has_header:
                        taken = _first_record(buffer, skip, splitter, final)
                        if taken is None and not final and len(buffer) < 2 * LONGEST_VALUE_BYTES:
                            hashing.result()
                            continue
                        told.header, skip = taken if taken is not None else (b"", len(buffer))
                        _check_line_ends(told.header, splitter, self.reading.title_lines)
                        self._check_columns(told.header)
                        splitter.begin(told.header)
                    started = True
                    self._check_titles(buffer, skip)
                    if skip:
                        told.body_offset = self._frame(buffer[:skip], 0, "", False)
                        buffer = buffer[skip:]
                context = splitter.context
                count, consumed = splitter.consume(buffer, final)
                if consumed:
                    whole = buffer[:consumed]
                    buffer = buffer[consumed:]
                    if not splitter.whole:
                        told.padded = told.padded or splitter.padded(whole)
                        told.even = told.even and splitter.even(whole, count)
                        if self.transcoder is None and not whole.isascii():
                            told.bad_utf8_record = self._check_utf8(whole, context, final)
                    self._frame(whole, count, context, final)
                    if self.reading.watch is not None:
                        self.reading.watch(self.offset, self.record - 1)
                if len(buffer) > self.reading.record_bytes and not splitter.whole:
                    raise InputError(
                        f"record {self.record} is longer than {self.reading.record_bytes / 1048576:g} MiB",
                        do="Check that it has the shape that the mapping says; 'record_mib' under [limits] "
                        "in site.toml sets the limit",
                    )
                self._settle(2)
                hashing.result()
                if final:
                    break
            self._settle(0)
        told.notes += splitter.finish()
        if self.transcoder is not None and self.transcoder.cut and self.record > 1:
            told.bad_utf8_record = self.record - 1
        told.sha256, told.size_bytes, told.records = digest.hexdigest(), self.offset, self.record - 1
        told.header = splitter.header or told.header
        return told

    def _chunk(self) -> bytes:
        """Read one block, whatever pieces the stream gives."""
        chunk = self.read(self.frame_bytes)
        while chunk and len(chunk) < self.frame_bytes:
            more = self.read(self.frame_bytes - len(chunk))
            if not more:
                break
            chunk += more
        return chunk

    def _open(self, chunk: bytes) -> None:
        if self.splitter.whole:
            self.told.encoding = "none"
            return
        found = tell(chunk[:_HEAD_BYTES], self.reading.encoding, self.reading.xml)
        self.told.encoding = found.codec
        if found.note:
            self.told.notes.append(found.note)
        if found.codec != "utf-8":
            self.transcoder = Transcoder(found.codec)
        elif self.reading.has_header and b"\x00" in chunk[:_HEAD_BYTES]:
            raise InputError("begins with NUL bytes, so it is no text", do="Export it again, as UTF-8 text")

    def _check_columns(self, header: bytes) -> None:
        rows = list(getattr(self.splitter, "inner", self.splitter).split(header))
        count = len(rows[0].fields or ()) if rows else 0
        if count > self.reading.columns:
            raise InputError(
                f"has {count} columns, and {self.reading.columns} are allowed",
                row=1 + self.reading.title_lines,
                do="Where the file is right, raise 'columns' under [limits] in site.toml",
            )

    def _check_titles(self, buffer: bytes, skip: int) -> None:
        lines = self.reading.title_lines
        if lines and (taken := titles.records_among(buffer[:skip], buffer[skip:])):
            self.told.notes.append(titles.told(taken, self.reading.section, lines))

    def _text(self, chunk: bytes, final: bool) -> bytes:
        if self.transcoder is None:
            return chunk
        self.raw = self.raw + chunk if self.raw else chunk
        return self.transcoder.feed(chunk, final)

    def _frame(self, text: bytes, count: int, context: str, final: bool) -> int:
        """Pack a block and return its length in the file."""
        whole = text
        if self.transcoder is not None:
            length = len(self.raw) if final else raw_length(text, self.transcoder.codec)
            whole, self.raw = self.raw[:length], self.raw[length:]
        job = self.pool.submit(pack, whole)
        self.pending.append((self.record, count, self.offset, len(whole), context, job))
        self.record += count
        self.offset += len(whole)
        return len(whole)

    def _settle(self, keep: int) -> None:
        while len(self.pending) > keep:
            first, number, at, length, context, job = self.pending.pop(0)
            data = job.result()
            self.write(data)
            self.told.frames.append(Frame(first, number, at, length, self.packed, len(data), context))
            self.packed += len(data)

    def _check_utf8(self, block: bytes, context: str, final: bool) -> int | None:
        try:
            block.decode("utf-8")
        except UnicodeDecodeError as error:
            again = copy.copy(self.splitter)
            again.resume(context)
            rows = [(self.record + place, row) for place, row in enumerate(again.split(block))]
            number = max((n for n, row in rows if row.start <= error.start), default=self.record)
            if final and error.reason == "unexpected end of data" and rows and number == rows[-1][0]:
                # a file that was cut inside a character: only its last record waits
                return number
            raise InputError(
                f"is not UTF-8 text: the byte {block[error.start]:#04x} in record {number} cannot be decoded",
                do=f'Where it is an export in Windows-1252, declare encoding = "windows-1252" under '
                f"[{self.reading.section}] in its mapping; else export it as UTF-8",
            ) from None
        return None


def _below(buffer: bytes, start: int, lines: int) -> int | None:
    """Return where the text below so many lines begins; None where the buffer does not hold them whole."""
    for _ in range(lines):
        start = buffer.find(b"\n", start) + 1
        if not start:
            return None
    return start


def _need_lines(below: int | None, reading: Reading) -> int:
    if below is None:
        raise InputError(
            f"ends, or goes on without a line end, within the {reading.title_lines} lines that are to stand "
            "above its header",
            do=f"Correct {reading.section}.title_lines in its mapping",
        )
    return below


def _first_record(buffer: bytes, skip: int, splitter: Splitter, final: bool) -> tuple[bytes, int] | None:
    """Return the header record and the first byte after it; None where the buffer does not hold it whole."""
    cutter = getattr(splitter, "inner", splitter)
    row = next(iter(cutter.split(buffer[skip:])), None)
    is_split = row is not None and row.fields is not None
    ends = skip + row.end if row is not None and is_split else len(buffer)
    # a header that goes on over lines for longer than a value may be is none
    if buffer.find(b"\n", skip + LONGEST_VALUE_BYTES, ends) < 0:
        if row is not None and is_split:
            newline = buffer.find(b"\n", ends)
            if newline >= 0 or final:
                return buffer[skip + row.start : ends], len(buffer) if newline < 0 else newline + 1
        if not final:
            return None
    # no proper header: the caller complains about the columns that it lacks
    first = buffer.find(b"\n", skip)
    end = len(buffer) if first < 0 else first + 1
    return buffer[skip:end].rstrip(b"\r\n"), end


def _check_line_ends(header: bytes, splitter: Splitter, above: int) -> None:
    """Refuse a header that a carriage return alone divides: every record after it would be lost in it."""
    quote = getattr(getattr(splitter, "inner", splitter), "quote", b'"')
    if any(b"\r" in outside for outside in header.split(quote)[0::2]):
        raise InputError(
            "its lines end with a carriage return alone, so that the header never ends",
            row=1 + above,
            do="Export it with line ends of Unix (LF) or Windows (CR LF), or convert it first",
        )
