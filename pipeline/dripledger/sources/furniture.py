"""Lines that are no records: a header that is repeated, a declared line at the end that tells a count."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from dripledger.errors import InputError
from dripledger.sources.records import Record, Splitter

_PLACE: Final = "{records}"


class FurnishedSplitter(Splitter):
    """Records of a file of lines, without repeated headers and footers.

    Parameters
    ----------
    inner
        How records are cut.
    footer
        The footer as the mapping declares it; ``{records}`` stands for the number of records since the header
        or the footer before.
    """

    def __init__(self, inner: Splitter, footer: str | None) -> None:
        self.inner = inner
        self.furniture = 0
        self._since = 0
        self._header = b""
        self._footer = None
        self._marks: list[bytes] = []
        if footer is not None:
            before, found, after = footer.strip().partition(_PLACE)
            head, tail = before.encode(), after.encode()
            number = rb"([0-9][0-9 .,']*)" if found else b""
            self._footer = re.compile(rb"\s*" + re.escape(head) + number + re.escape(tail) + rb"\s*")
            self._marks = [max((head, tail), key=len)]
        self._ended = False

    def begin(self, header: bytes) -> None:
        """Be told the header; lines equal to it are no records."""
        self.inner.begin(header)
        self._header = header.strip()
        self._marks = [*self._marks[: self._footer is not None], *([self._header] if self._header else [])]

    def consume(self, block: bytes, final: bool) -> tuple[int, int]:
        """Return how many whole records a block begins with, and the bytes that these take."""
        count, consumed = self.inner.consume(block, final)
        whole = block[:consumed]
        if not count or not any(mark in whole for mark in self._marks):
            self._since += count
            self._ended = self._ended and not count
            return count, consumed
        kept = 0
        for row in self.inner.split(whole):
            text = whole[row.start : row.end]
            if not self._passed_over(text):
                kept += 1
                self._since += 1
                self._ended = False
                continue
            self.furniture += 1
            told = None if self._footer is None else self._footer.fullmatch(text)
            if told is not None:
                self._check(told)
        return kept, consumed

    def split(self, block: bytes) -> Iterator[Record]:
        """Yield the records of a block that holds whole records only."""
        look = any(mark in block for mark in self._marks)
        for row in self.inner.split(block):
            if not (look and self._passed_over(block[row.start : row.end])):
                yield row

    def padded(self, block: bytes) -> bool:
        """Whether some value may begin or end with white space."""
        return self.inner.padded(block)

    def even(self, block: bytes, records: int) -> bool:
        """Whether a reader that forgives what we do not may read the block."""
        return self.inner.even(block, records)

    def finish(self) -> list[str]:
        """Return that a declared footer is missing."""
        if self._footer is not None and not self._ended:
            return ["the footer that the mapping declares is missing: the file may have been cut"]
        return []

    def _passed_over(self, text: bytes) -> bool:
        return (bool(self._header) and text.strip() == self._header) or (
            self._footer is not None and self._footer.fullmatch(text) is not None
        )

    def _check(self, told: re.Match[bytes]) -> None:
        self._ended = True
        since, self._since = self._since, 0
        if not told.re.groups:
            return
        stated = int(re.sub(rb"[^0-9]", b"", told[1]))
        if stated != since:
            raise InputError(
                f"its footer tells {stated} records, and {since} were counted",
                do="Export it again; where the footer counts something else, leave {records} out of it in "
                "the mapping",
            )
