"""Where the elements of a JSON array begin and end in the bytes: found with whole-array arithmetic."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt

from dripledger.errors import InputError
from dripledger.sources.records import Record, Splitter

_TOKEN: Final = re.compile(rb'"(?:[^"\\]|\\.)*"|[{}\[\],:]|[^\s"{}\[\],:]+|\s+', re.DOTALL)
_QUOTE, _BACKSLASH, _COMMA = 34, 92, 44
_INSIDE: Final = "inside"
_AFTER: Final = "after"


def _marks() -> npt.NDArray[np.int8]:
    table = np.zeros(256, np.int8)
    table[[ord("{"), ord("[")]] = 1
    table[[ord("}"), ord("]")]] = -1
    table[_COMMA] = 2
    table[_QUOTE] = 3
    return table


_MARKS: Final = _marks()


class ArraySplitter(Splitter):
    """One record an element of the array at a dotted path.

    Parameters
    ----------
    path
        Dotted path of the array; empty: the document is the array.
    nesting
        Levels of objects and arrays that may stand inside each other.
    """

    def __init__(self, path: str, nesting: int = 100) -> None:
        self._path = path
        self._steps = tuple(path.split(".")) if path else ()
        self._nesting = nesting
        self._stage = ""
        self._open = 0
        self._count = 0
        self._cut = False

    @property
    def context(self) -> str:
        """Whether the next byte stands before, inside or after the array."""
        return self._stage

    def resume(self, context: str) -> None:
        """Go on before, inside or after the array."""
        self._stage = context

    def consume(self, block: bytes, final: bool) -> tuple[int, int]:
        """Return how many whole elements a block begins with, and the bytes that these take."""
        at = 0
        if not self._stage:
            found = self._find(block, final)
            if found is None:
                return 0, 0
            at, self._stage = found, _INSIDE
        count = 0
        if self._stage == _INSIDE:
            ends, array_end = self._ends(block, at)
            count = len(ends)
            last = int(ends[-1]) + 1 if count else at
            stop = array_end if array_end is not None else len(block)
            if (array_end is not None or final) and block[last:stop].strip():
                count += 1
            if array_end is None:
                self._cut = final
                self._count += count
                return count, len(block) if final else last
            at, self._stage, self._open = array_end + 1, _AFTER, len(self._steps)
        self._count += count
        return count, self._after(block, at, final)

    def split(self, block: bytes) -> Iterator[Record]:
        """Yield the elements of a block that holds whole ones only."""
        at = 0
        if not self._stage:
            at = self._find(block, True) or 0
        elif self._stage == _AFTER:
            return
        ends, array_end = self._ends(block, at)
        stop = array_end if array_end is not None else len(block)
        for end in [*ends.tolist(), stop]:
            text = block[at:end]
            body = text.strip()
            if body or end != stop:
                start = at + len(text) - len(text.lstrip())
                yield Record(start, start + len(body), [body])
            at = end + 1

    def finish(self) -> list[str]:
        """Tell of a document that ends too early, or lacks the array."""
        if not self._stage:
            raise self._no_array()
        if self._cut or self._open:
            return ["the document ends before it is closed: the file was cut"]
        return []

    def _no_array(self) -> InputError:
        what = f"has no array at {self._path!r}" if self._path else "does not begin with an array"
        return InputError(what, do="Correct json_array.path in the mapping, or export it again")

    def _find(self, block: bytes, final: bool) -> int | None:
        """Return the first byte inside the array; None where more has to be read."""
        keys: list[str] = []
        last, at = "", 3 if block.startswith(b"\xef\xbb\xbf") else 0
        while (token := _TOKEN.match(block, at)) is not None:
            text = token.group()
            at = token.end()
            if at == len(block) and not final and text not in (b"{", b"["):
                return None
            if text == b"[" and tuple(keys) == self._steps:
                return at
            if text in (b"{", b"["):
                # the key of the next member replaces this placeholder; inside an array nothing does
                keys.append("" if text == b"{" else "[]")
                if len(keys) > self._nesting:
                    raise self._too_deep()
            elif text in (b"}", b"]"):
                if not keys:
                    raise self._no_array()
                keys.pop()
            elif text == b":" and keys:
                keys[-1] = last
            elif text[:1] == b'"':
                last = text[1:-1].decode("utf-8", "replace")
            if not keys and not text.isspace():
                raise self._no_array()
        if final:
            raise self._no_array()
        return None

    def _ends(self, block: bytes, at: int) -> tuple[npt.NDArray[np.int64], int | None]:
        """Return where commas end elements from `at` on, and where the array itself ends."""
        data = np.frombuffer(block, np.uint8)[at:]
        kinds = _MARKS[data]
        places = np.flatnonzero(kinds)
        marks = kinds[places]
        is_quote = marks == 3
        if is_quote.any():
            slashes = np.flatnonzero(data == _BACKSLASH)
            if slashes.size:
                # a run of backslashes of odd length takes the character after it
                begins = np.flatnonzero(np.diff(slashes, prepend=-2) != 1)
                lengths = np.diff(np.append(begins, slashes.size))
                after = slashes[begins] + lengths
                escaped = after[lengths % 2 == 1]
                is_quote &= ~np.isin(places, escaped)
            outside = np.cumsum(is_quote) % 2 == 0
            keep = outside & (marks != 3)
            places, marks = places[keep], marks[keep]
        steps = np.where(marks == 2, 0, marks)
        depth = np.cumsum(steps)
        closed = np.flatnonzero(depth < 0)
        end: int | None = None
        if closed.size:
            end = int(places[closed[0]]) + at
            places, marks, depth = places[: closed[0]], marks[: closed[0]], depth[: closed[0]]
        if depth.size and int(depth.max()) > self._nesting:
            raise self._too_deep()
        return places[(marks == 2) & (depth == 0)] + at, end

    def _too_deep(self) -> InputError:
        return InputError(
            f"nests objects or arrays deeper than {self._nesting} levels",
            do="Where the file is right, raise 'nesting' under [limits] in site.toml",
        )

    def _after(self, block: bytes, at: int, final: bool) -> int:
        """Go over what follows the array; return the first byte that waits for more."""
        while at < len(block):
            token = _TOKEN.match(block, at)
            if token is None:
                return len(block) if final else at
            text = token.group()
            if not self._open and not text.isspace():
                raise InputError("goes on after the end of its document", do="Put one document into a file")
            if text in (b"{", b"["):
                self._open += 1
            elif text in (b"}", b"]"):
                self._open -= 1
            at = token.end()
        return at
