"""Where records begin and end in the bytes of a file: counted here, independently of any reader.

Here are the shapes made of lines. A delimited record may hold line breaks inside quotes; where a quote never
closes (or text follows a closed one), each physical line is one record. Blank lines are no records.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

#: A value longer than this is none: its record waits. A quote that does not close within it never closes.
LONGEST_VALUE_BYTES: Final = 1 << 20
_NEWLINE: Final = 10
_CARRIAGE: Final = 13
_SPACE: Final = 32
_TAB: Final = 9
_DOUBLE: Final = 34
#: What stands before a blank that stands before a text, where that blank is no part of another text.
_BETWEEN: Final = tuple(b":,{[\n")


@dataclass(frozen=True, slots=True)
class Record:
    """One record inside a block of bytes.

    Parameters
    ----------
    start, end
        Half-open byte range without its line end.
    fields
        Raw values; None where the record cannot be split.
    data
        The record's own bytes, where these are no slice of the block (a row of a workbook, say).
    """

    start: int
    end: int
    fields: list[bytes] | None
    data: bytes | None = None


class Splitter(ABC):
    """How one shape is cut into records: one object a pass over a file.

    Attributes
    ----------
    whole
        Whether a file can only be cut as a whole, as one block.
    header
        The header that the splitter itself found; empty where the caller takes it off, or there is none.
    furniture
        Lines passed over that are no records, such as a header that is repeated.
    """

    whole: bool = False
    header: bytes = b""
    furniture: int = 0

    def begin(self, header: bytes) -> None:  # noqa: B027 (most shapes need none)
        """Be told the file's header before its first block."""

    @property
    def context(self) -> str:
        """What has to be known at the next byte to cut what follows alone; kept with its frame."""
        return ""

    def resume(self, context: str) -> None:  # noqa: B027 (most shapes need none)
        """Go on at a block with this context."""

    @abstractmethod
    def consume(self, block: bytes, final: bool) -> tuple[int, int]:
        """Return how many whole records a block begins with, and the bytes that these take.

        Raises
        ------
        InputError
            If the file as a whole cannot be cut; its place is filled in by the caller.
        """

    @abstractmethod
    def split(self, block: bytes) -> Iterator[Record]:
        """Yield the records of a block that holds whole records only."""

    def padded(self, block: bytes) -> bool:
        """Whether some value may begin or end with white space, so that values have to be trimmed."""
        return bool(block)

    def even(self, block: bytes, records: int) -> bool:
        """Whether a block of that many records may be read by a reader that forgives what we do not."""
        del block, records  # most shapes have no such reader
        return True

    def finish(self) -> list[str]:
        """Return what a person should know of the file, once every block was consumed.

        Raises
        ------
        InputError
            If the file contradicts itself.
        """
        return []


def _plain_lines(block: bytes) -> int:
    """Count lines that are not blank in a block that ends at a line end (or at the end of the file)."""
    lines = block.count(b"\n") + (0 if block.endswith(b"\n") else 1)
    if b"\n\n" in block or b"\n\r\n" in block or block.endswith(b"\n\r") or block[:1] in (b"\n", b"\r"):
        return sum(1 for line in block.split(b"\n") if line not in (b"", b"\r"))
    return lines if block else 0


class LineSplitter(Splitter):
    """One record a line; a line of nothing but white space is none."""

    def consume(self, block: bytes, final: bool) -> tuple[int, int]:
        """Return how many whole records a block begins with, and the bytes that these take."""
        end = len(block) if final else block.rfind(b"\n") + 1
        return sum(1 for line in block[:end].split(b"\n") if line.strip()), end

    def split(self, block: bytes) -> Iterator[Record]:
        """Yield the records of a block that holds whole records only."""
        start = 0
        for line in block.split(b"\n"):
            if line.strip():
                yield Record(start, start + len(line.rstrip(b"\r")), [line])
            start += len(line) + 1

    def padded(self, block: bytes) -> bool:
        """Whether some text in an object may begin or end with white space; escapes count as such."""
        if b"\\t" in block or b"\\u00" in block:
            return True
        data = np.frombuffer(block, dtype=np.uint8)
        blanks = np.flatnonzero((data == _SPACE) | (data == _TAB))
        if not blanks.size:
            return False
        last = data.size - 1
        before = data[np.maximum(blanks - 1, 0)]
        after = data[np.minimum(blanks + 1, last)]
        told = np.isin(before, _BETWEEN)
        return bool((before == _DOUBLE).any() or ((after == _DOUBLE) & ~told).any())


class DelimitedSplitter(Splitter):
    """Records of a delimited file.

    Parameters
    ----------
    separator, quote
        One ASCII character each.
    longest
        Bytes that a quoted value may have, its quotes included.
    """

    def __init__(self, separator: str, quote: str, longest: int = LONGEST_VALUE_BYTES + 2) -> None:
        self.separator = separator.encode("ascii")
        self.quote = quote.encode("ascii")
        self.longest = longest
        self.columns = 0

    def begin(self, header: bytes) -> None:
        """Be told the file's header, whose columns every record has to have."""
        first = next(iter(self.split(header)), None)
        self.columns = len(first.fields or ()) if first is not None else 0

    def even(self, block: bytes, records: int) -> bool:
        """Whether the block has as many separators as its records need, and no bare carriage return.

        The engine drops an empty value too many and ends a line at a bare carriage return, without a word.
        """
        outside = b"".join(block.split(self.quote)[0::2]) if self.quote in block else block
        if b"\r" in outside and outside.count(b"\r") != outside.count(b"\r\n"):
            return False
        found = np.count_nonzero(np.frombuffer(outside, dtype=np.uint8) == self.separator[0])
        return bool(found == records * (self.columns - 1))

    def consume(self, block: bytes, final: bool) -> tuple[int, int]:
        """Return how many whole records a block begins with, and the bytes that these take."""
        if self.quote not in block:
            end = len(block) if final else block.rfind(b"\n") + 1
            return (_plain_lines(block[:end]) if end else 0), end
        told = self._consume_regular(block, final)
        if told is not None:
            return told
        count, consumed = 0, 0
        for record, after in self._walk(block, final):
            if record is not None:
                count += 1
            consumed = after
        return count, consumed

    def regular(self, block: bytes) -> bool:
        """Whether every quote of a block of whole records stands where any reader expects it."""
        return self.quote not in block or self._consume_regular(block, True) is not None

    def _consume_regular(self, block: bytes, final: bool) -> tuple[int, int] | None:
        """Count with whole-array arithmetic; None where some quote stands where it should not."""
        data = np.frombuffer(block, dtype=np.uint8)
        quotes = np.flatnonzero(data == self.quote[0])
        separator, quote = self.separator[0], self.quote[0]
        opening, closing = quotes[0::2], quotes[1::2]
        before = np.where(opening > 0, data[np.maximum(opening - 1, 0)], _NEWLINE)
        if not np.isin(before, (separator, _NEWLINE, quote)).all():
            return None
        # a doubled quote is two neighbours: the second "opens" straight after the first "closed"
        doubled = opening[before == quote] if (before == quote).any() else opening[:0]
        if doubled.size and not np.isin(doubled - 1, closing).all():
            return None
        last = len(block) - 1
        after = np.where(closing < last, data[np.minimum(closing + 1, last)], _NEWLINE)
        if not np.isin(after, (separator, _NEWLINE, _CARRIAGE, quote)).all():
            return None
        carriage = closing[after == _CARRIAGE] + 2
        if carriage.size and (data[carriage[carriage <= last]] != _NEWLINE).any():
            return None
        if not final and closing.size and closing[-1] >= last - 1:
            return None
        newlines = np.flatnonzero(data == _NEWLINE)
        outside = newlines[np.searchsorted(quotes, newlines) % 2 == 0]
        if quotes.size % 2:
            # a value that is still open at the end of the block: whole records only go up to where it began
            start = int(opening[-1])
            if doubled.size and start == doubled[-1]:
                return None
            if final or last - start >= self.longest:
                return None
        if closing.size and bool((closing - opening[: closing.size] >= self.longest).any()):
            return None
        end = len(block) if final else (int(outside[-1]) + 1 if outside.size else 0)
        starts = np.concatenate(([0], outside + 1))
        ends = np.concatenate((outside, [len(block)])) if final else outside
        starts = starts[: ends.size]
        lengths = ends - starts
        blank = lengths == 0
        one = np.flatnonzero(lengths == 1)
        if one.size:
            blank[one] = data[starts[one]] == _CARRIAGE
        return int(ends.size - blank.sum()), end

    def split(self, block: bytes) -> Iterator[Record]:
        """Yield the records of a block that holds whole records only."""
        for record, _ in self._walk(block, True):
            if record is not None:
                yield record

    def padded(self, block: bytes) -> bool:
        """Whether some value may begin or end with white space, so that values have to be trimmed."""
        data = np.frombuffer(block, dtype=np.uint8)
        blanks = np.flatnonzero((data == _SPACE) | (data == _TAB))
        if not blanks.size:
            return False
        edges = (self.separator[0], self.quote[0], _NEWLINE, _CARRIAGE)
        last = data.size - 1
        return bool(
            blanks[0] == 0
            or blanks[-1] == last
            or np.isin(data[blanks - 1], edges).any()
            or np.isin(data[np.minimum(blanks + 1, last)], edges).any()
        )

    def _walk(self, block: bytes, final: bool) -> Iterator[tuple[Record | None, int]]:
        """Yield (record, or None for a blank line; first byte after it), one by one."""
        position, size = 0, len(block)
        quote, separator = self.quote, self.separator
        while position < size:
            newline = block.find(b"\n", position)
            end = size if newline < 0 else newline
            line = block[position:end]
            if quote not in line:
                if newline < 0 and not final:
                    return
                text = line[:-1] if line.endswith(b"\r") else line
                record = Record(position, position + len(text), text.split(separator)) if text else None
                yield record, end + 1
                position = end + 1
                continue
            fields, after = self._quoted_record(block, position, final)
            if after is None:
                return
            if fields is None:
                if newline < 0 and not final:
                    return
                text = line[:-1] if line.endswith(b"\r") else line
                yield Record(position, position + len(text), None), end + 1
                position = end + 1
            else:
                stop = after - 1 if after <= size and block[after - 1 : after] == b"\n" else min(after, size)
                if block[stop - 1 : stop] == b"\r":
                    stop -= 1
                yield Record(position, stop, fields), after
                position = after

    def _quoted_record(self, block: bytes, start: int, final: bool) -> tuple[list[bytes] | None, int | None]:
        """Split the record that begins at `start`.

        Returns
        -------
        tuple
            (fields, first byte after); (None, 0) where a quote never closes or text follows it; (None, None)
            where the block ends before that can be known.
        """
        size, quote, separator = len(block), self.quote[0], self.separator[0]
        fields: list[bytes] = []
        position = start
        while True:
            head = position
            while head < size and block[head] == _SPACE and separator != _SPACE:
                head += 1
            if head < size and block[head] == quote:
                at = head + 1
                while True:
                    close = block.find(self.quote, at, head + self.longest)
                    if close < 0:
                        waiting = not final and size - head < self.longest
                        return None, (None if waiting else 0)
                    if close + 1 >= size and not final:
                        return None, None
                    if close + 1 < size and block[close + 1] == quote:
                        at = close + 2
                        continue
                    break
                fields.append(block[head + 1 : close].replace(self.quote * 2, self.quote))
                tail = close + 1
                while tail < size and block[tail] == _SPACE and separator != _SPACE:
                    tail += 1
                if (
                    tail < size
                    and block[tail] == _CARRIAGE
                    and (tail + 1 == size or block[tail + 1] == _NEWLINE)
                ):
                    tail += 1
                if tail >= size:
                    return (fields, size + 1) if final else (None, None)
                if block[tail] == _NEWLINE:
                    return fields, tail + 1
                if block[tail] != separator:
                    return None, 0
                position = tail + 1
                continue
            newline = block.find(b"\n", position)
            end = size if newline < 0 else newline
            cut = block.find(self.separator, position, end)
            if cut >= 0:
                fields.append(block[position:cut])
                position = cut + 1
                continue
            if newline < 0 and not final:
                return None, None
            text = block[position:end]
            fields.append(text[:-1] if text.endswith(b"\r") else text)
            return fields, end + 1
