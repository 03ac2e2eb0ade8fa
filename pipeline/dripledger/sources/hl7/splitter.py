"""Where messages begin and end in the bytes of a file: counted here, independently of the reader.

A message begins at each MSH segment. Batch segments (FHS, BHS, BTS, FTS) and MLLP framing bytes stand between
messages and belong to none. What stands where no message is open and is neither is one record that cannot be
split, so that a file that was cut in front loses nothing unseen.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from dripledger.sources.records import Record, Splitter

#: Bytes that end a segment: CR by the standard, LF and CR LF as files have them, MLLP's two framing bytes.
SEGMENT_ENDS: Final = b"\r\n\x0b\x1c"
#: A message longer than this cannot be split: it is no message.
LONGEST_MESSAGE_BYTES: Final = 16 << 20
_MESSAGE: Final = b"MSH"
_BATCH: Final = (b"FHS", b"BHS", b"BTS", b"FTS")
_BLANK: Final = SEGMENT_ENDS + b" \t\x00"
_SEGMENT_END: Final = re.compile(rb"[\r\n\x0b\x1c]")


def _places(block: bytes, name: bytes) -> Iterator[int]:
    """Yield where segments of one name begin; a longer name that begins alike is another one."""
    at = block.find(name)
    while at >= 0:
        after = block[at + 3 : at + 4]
        if (at == 0 or block[at - 1] in SEGMENT_ENDS) and not after.isalnum():
            yield at
        at = block.find(name, at + 3)


def _stray(block: bytes, start: int, end: int, batch: bool) -> tuple[int, int] | None:
    """Return the place of text between two boundaries that belongs to no message."""
    if batch:
        first = _SEGMENT_END.search(block, start, end)
        start = end if first is None else first.end()
    text = block[start:end]
    body = text.lstrip(_BLANK)
    if not body:
        return None
    return end - len(body), start + len(text.rstrip(_BLANK))


class MessageSplitter(Splitter):
    """One record a message."""

    def consume(self, block: bytes, final: bool) -> tuple[int, int]:
        """Return how many whole records a block begins with, and the bytes that these take."""
        messages = list(_places(block, _MESSAGE))
        batches = {at for name in _BATCH for at in _places(block, name)}
        end = len(block)
        if not final:
            # a name at the very end may go on in the next block
            sure = [at for at in (*messages[-2:], *batches) if at + 3 < len(block)]
            end = max(sure, default=0)
            if not end:
                if len(block) < LONGEST_MESSAGE_BYTES:
                    return 0, 0
                end = len(block) - 3
                return (1 if block[:end].strip(_BLANK) else 0), end
        batches = {at for at in batches if at < end}
        count = bisect_left(messages, end)
        for start, stop in pairwise(sorted({0, *batches, end})):
            first = bisect_left(messages, start)
            until = min(messages[first], stop) if first < len(messages) else stop
            if until > start and _stray(block, start, until, start in batches) is not None:
                count += 1
        return count, end

    def split(self, block: bytes) -> Iterator[Record]:
        """Yield the records of a block that holds whole records only."""
        messages = set(_places(block, _MESSAGE))
        batches = {at for name in _BATCH for at in _places(block, name)}
        for start, stop in pairwise(sorted({0, *messages, *batches, len(block)})):
            if start in messages:
                end = start + len(block[start:stop].rstrip(_BLANK))
                whole = end - start < LONGEST_MESSAGE_BYTES
                yield Record(start, end, [block[start:end]] if whole else None)
            else:
                stray = _stray(block, start, stop, start in batches)
                if stray is not None:
                    yield Record(*stray, None)
