"""Where the elements that are records begin and end in an XML file: found on the bytes, without a parser.

A document type is refused where it stands, so that no entity is ever declared. An element that holds another
one of its own name before it closes was never closed: it is one record that cannot be split, and the next
begins there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final

from dripledger.errors import InputError
from dripledger.sources.records import Record, Splitter

_TAG: Final = re.compile(rb"<[^<>\"']+(?:\"[^\"<]*\"[^<>\"']*|'[^'<]*'[^<>\"']*)*>")
_NAME: Final = re.compile(rb"</?([^\s/>]+)")
_SKIPPED: Final = ((b"<!--", b"-->"), (b"<![CDATA[", b"]]>"), (b"<?", b"?>"))
_AFTER_NAME: Final = b" \t\r\n/>"
_STARTS: Final = re.compile(rb"<([^\s/>!?]+)|</|/>")


def local(name: bytes) -> bytes:
    """Return a name without its prefix."""
    return name.rpartition(b":")[2]


class ElementSplitter(Splitter):
    """One record an element at a path.

    Parameters
    ----------
    steps
        Names from the outermost element to the record's, without prefixes.
    nesting
        Levels of elements that may stand inside each other.

    Attributes
    ----------
    stack
        Start tags of the elements that are open around the current place.
    """

    def __init__(self, steps: Sequence[str], nesting: int = 100) -> None:
        self._steps = tuple(step.encode() for step in steps)
        self._nesting = nesting
        self.stack: tuple[bytes, ...] = ()
        self._here = not self._steps[:-1]
        self._root = b""
        self._any = False
        self._cut = False
        self._consumed = 0

    @property
    def context(self) -> str:
        """Start tags of the open elements."""
        return b"".join(self.stack).decode("utf-8", "replace")

    def resume(self, context: str) -> None:
        """Go on inside these start tags."""
        self._move(tuple(_TAG.findall(context.encode())))
        self._root = self.stack[0] if self.stack else b""

    def _move(self, stack: tuple[bytes, ...]) -> None:
        self.stack = stack
        steps = self._steps[:-1]
        self._here = len(stack) == len(steps) and all(
            local(name_of(tag)) == step for tag, step in zip(stack, steps, strict=True)
        )

    def consume(self, block: bytes, final: bool) -> tuple[int, int]:
        """Return how many whole records a block begins with, and the bytes that these take."""
        count, consumed = 0, 0
        for record, after in self._walk(block, final):
            count += record is not None
            consumed = after
        self._any = self._any or bool(count)
        self._consumed += consumed
        return count, consumed

    def split(self, block: bytes) -> Iterator[Record]:
        """Yield the records of a block that holds whole records only."""
        for record, _ in self._walk(block, True):
            if record is not None:
                yield record

    def finish(self) -> list[str]:
        """Tell of a document that ends too early, or has no such element."""
        if not self._root:
            raise InputError(
                "holds no element, so it is no XML", do="Export it again, or correct the pattern"
            )
        if local(name_of(self._root)) != self._steps[0]:
            told = local(name_of(self._root)).decode("utf-8", "replace")
            wanted = b"/".join(self._steps).decode()
            raise InputError(
                f"has the outermost element {told!r}, and the mapping looks for {wanted!r}",
                do="Correct xml.record in the mapping",
            )
        if self._cut or self.stack:
            return ["the document ends before it is closed: the file was cut"]
        return []

    def _walk(self, block: bytes, final: bool) -> Iterator[tuple[Record | None, int]]:
        """Yield (record, or None for what is around; first byte after it), one by one."""
        position, size = 0, len(block)
        own = self._steps[-1]
        while position < size:
            at = block.find(b"<", position)
            if at < 0:
                yield None, size
                return
            if self._here and (name := self._own_name(block, at, own)) is not None:
                end, whole = self._close(block, at, name, final)
                if end is None:
                    return
                self._root = self._root or b"<" + name + b">"
                self._cut = self._cut or (not whole and end == size and final)
                yield Record(at, end, [block[at:end]] if whole else None), end
                position = end
                continue
            end = self._around(block, at, final)
            if end is None:
                return
            yield None, end
            position = end

    def _own_name(self, block: bytes, at: int, own: bytes) -> bytes | None:
        """Return the record's full name where a record begins here."""
        end = at + 1 + len(own)
        if block.startswith(own, at + 1) and block[end : end + 1] in _AFTER_NAME and end < len(block):
            return own
        told = _NAME.match(block, at)
        if told is None or told.end() == len(block) or block[at + 1 : at + 2] == b"/":
            return None
        return told[1] if local(told[1]) == own else None

    def _around(self, block: bytes, at: int, final: bool) -> int | None:
        """Go over one piece of markup that is no record; None where it is not here whole."""
        for opens, closes in _SKIPPED:
            if block.startswith(opens, at):
                end = block.find(closes, at + len(opens))
                return self._until(block, end, len(closes), final)
        if len(block) - at < len(b"<![CDATA[") and not final:
            return None
        if block.startswith(b"<!", at):
            raise InputError(
                "declares a document type, which can make entities of any size and is refused",
                do="Export it without DOCTYPE",
            )
        if block.startswith(b"</", at):
            end = block.find(b">", at)
            if end < 0:
                return self._until(block, end, 1, final)
            closed = _NAME.match(block, at)
            if not self.stack or closed is None or name_of(self.stack[-1]) != closed[1]:
                raise self._broken(at)
            self._move(self.stack[:-1])
            return end + 1
        tag = _TAG.match(block, at)
        if tag is None:
            following = block.find(b"<", at + 1)
            if following >= 0 or (not final and len(block) - at > (1 << 20)):
                raise self._broken(at)
            return self._until(block, -1, 0, final)
        if self._root and not self.stack:
            raise InputError("goes on after the end of its document", do="Put one document into a file")
        self._root = self._root or tag.group()
        if not tag.group().endswith(b"/>"):
            if len(self.stack) >= self._nesting:
                raise self._too_deep()
            self._move((*self.stack, tag.group()))
        return tag.end()

    def _until(self, block: bytes, end: int, length: int, final: bool) -> int | None:
        if end >= 0:
            return end + length
        if final:
            self._cut = True
            return len(block)
        return None

    def _broken(self, at: int) -> InputError:
        return InputError(
            f"is not well-formed XML at byte {self._consumed + at} of its text", do="Export it again"
        )

    def _too_deep(self) -> InputError:
        return InputError(
            f"nests elements deeper than {self._nesting} levels",
            do="Where the file is right, raise 'nesting' under [limits] in site.toml",
        )

    def _close(self, block: bytes, at: int, name: bytes, final: bool) -> tuple[int | None, bool]:
        """Return the first byte after a record and whether it is whole; (None, _) where more must be read."""
        tag = _TAG.match(block, at)
        if tag is not None and tag.group().endswith(b"/>"):
            return tag.end(), True
        inside = tag.end() if tag is not None else at + 1 + len(name)
        end = _find_name(block, b"</" + name, inside, len(block))
        last = len(block) if end < 0 else end
        again = _find_name(block, b"<" + name, inside, last)
        if block.find(b"<!", inside, last) >= 0 or block.find(b"<?", inside, last) >= 0:
            again, end = _skipping(block, name, inside)
        if 0 <= again < end or (end < 0 <= again):
            return again, False
        if end < 0:
            return (len(block), False) if final else (None, False)
        stop = block.find(b">", end)
        if stop < 0:
            return (len(block), False) if final else (None, False)
        if block.count(b"<", inside, end) > self._nesting and self._depth(block[inside:end]) > self._nesting:
            raise self._too_deep()
        return stop + 1, tag is not None

    def _depth(self, text: bytes) -> int:
        depth = deepest = len(self.stack) + 1
        for mark in _STARTS.finditer(text):
            depth += 1 if mark[1] else -1
            deepest = max(deepest, depth)
        return deepest


def name_of(tag: bytes) -> bytes:
    """Return the name in a tag, with its prefix."""
    told = _NAME.match(tag)
    return told[1] if told is not None else b""


def _find_name(block: bytes, start: bytes, at: int, until: int) -> int:
    """Return where a tag of exactly this name begins, from `at` on and before `until`; -1: nowhere."""
    while True:
        at = block.find(start, at, until)
        if at < 0:
            return at
        following = block[at + len(start) : at + len(start) + 1]
        if following and following in _AFTER_NAME:
            return at
        at += len(start)


def _skipping(block: bytes, name: bytes, at: int) -> tuple[int, int]:
    """Return where the name begins again and where it is closed, outside comments and the like."""
    pattern = re.compile(rb"<!--|<!\[CDATA\[|<\?|</?" + re.escape(name) + rb"(?=[\s/>])")
    ends = dict(_SKIPPED)
    while (found := pattern.search(block, at)) is not None:
        text = found.group()
        if text in ends:
            at = block.find(ends[text], found.end())
            if at < 0:
                return -1, -1
            at += len(ends[text])
        elif text.startswith(b"</"):
            return -1, found.start()
        else:
            return found.start(), -1
    return -1, -1
