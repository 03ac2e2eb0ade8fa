"""How text is encoded: declared, or told by its first bytes; turned into UTF-8 in a stream."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from typing import Final

from dripledger.errors import InputError

#: What `encoding` may be in a mapping.
ENCODINGS: Final = ("detect", "utf-8", "utf-16", "windows-1252")
_NAMES: Final = {
    "utf-8": "UTF-8",
    "utf-16-le": "UTF-16 (little end first)",
    "utf-16-be": "UTF-16 (big end first)",
    "cp1252": "Windows-1252",
}
_MARKS: Final = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe", "utf-16-le"),
    (b"\xfe\xff", "utf-16-be"),
)
#: Files that are no text, by their first bytes.
_BINARY: Final = (
    (b"PK\x03\x04", "is a zip or a workbook"),
    (b"\x1f\x8b", "is compressed twice"),
    (b"\xd0\xcf\x11\xe0", "is an old or encrypted office file"),
    (b"%PDF", "is a PDF"),
)
_XML: Final = re.compile(rb"^\s*<\?xml[^>]*?\bencoding\s*=\s*[\"']([A-Za-z0-9._-]+)[\"']")
_XML_NAMES: Final = {
    "utf-8": "utf-8", "us-ascii": "utf-8", "ascii": "utf-8", "utf-16": "utf-16", "windows-1252": "cp1252",
    "iso-8859-1": "cp1252", "latin1": "cp1252",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Encoding:
    """How one file is encoded.

    Parameters
    ----------
    codec
        Python's name of it.
    note
        What to tell a person; empty where there is nothing to tell.
    """

    codec: str
    note: str = ""


def tell(head: bytes, declared: str, xml: bool = False) -> Encoding:
    """Return how a file is encoded, from its first bytes and what the mapping declares.

    A byte order mark outranks a declaration. Without a mark, text whose first or second byte is zero is
    UTF-16; all else is taken for UTF-8, which proves itself while it is read. Eight-bit encodings cannot be
    told from each other, so Windows-1252 is never guessed: it has to be declared (an XML file may declare
    it itself).

    Parameters
    ----------
    head
        The first bytes, some kilobytes of them.
    declared
        One of `ENCODINGS`.
    xml
        Whether the file may declare its encoding in its first line.

    Raises
    ------
    InputError
        If it is no text that can be read.
    """
    for magic, what in _BINARY:
        if head.startswith(magic):
            raise InputError(f"{what}, and text is read here", do="Export it as text, or correct the pattern")
    marked = next((codec for mark, codec in _MARKS if head.startswith(mark)), None)
    wanted = {"utf-16": "utf-16", "windows-1252": "cp1252", "utf-8": "utf-8"}.get(declared)
    told = marked or _by_zeros(head)
    if told == "utf-32":
        raise InputError(
            "is UTF-32 text (four bytes a character), which is not read here", do="Export it as UTF-8"
        )
    if told is not None:
        agrees = wanted is None or told.startswith(wanted)
        if told == "utf-8" and agrees:
            return Encoding(told)
        how = "by its byte order mark" if marked else "by its zero bytes"
        instead = "" if agrees else f", though the mapping declares {declared}"
        return Encoding(told, "" if wanted and agrees else f"read as {_NAMES[told]}, {how}{instead}")
    if wanted is None and xml and (found := _XML.match(head[:400])) is not None:
        name = found[1].decode("ascii").lower()
        codec = _XML_NAMES.get(name)
        if codec is None:
            raise InputError(
                f"declares the encoding {name!r}, which is not read here",
                do="Export it as UTF-8, UTF-16 or Windows-1252",
            )
        if codec != "utf-16":
            return Encoding(codec, "" if codec == "utf-8" else f"read as {_NAMES[codec]}, as it says itself")
    if wanted == "utf-16":
        raise InputError(
            "is declared as UTF-16 and is not: it has neither a byte order mark nor zero bytes",
            do="Correct encoding in the mapping",
        )
    return Encoding(wanted or "utf-8")


def _by_zeros(head: bytes) -> str | None:
    start = head[:4096]
    if start[:3] == b"\x00\x00\x00" and start[3:4] not in (b"", b"\x00"):
        return "utf-32"
    if len(start) < 2 or bool(start[0]) == bool(start[1]):
        return None
    if len(start) >= 4 and start[1:4] == b"\x00\x00\x00":
        return "utf-32"
    return "utf-16-le" if start[0] else "utf-16-be"


class Transcoder:
    """Turns text into UTF-8, chunk by chunk.

    Parameters
    ----------
    codec
        Python's name of the encoding, other than UTF-8.

    Attributes
    ----------
    cut
        Whether the text ended inside a character; a replacement character stands there.
    """

    def __init__(self, codec: str) -> None:
        self.codec = codec
        self.cut = False
        self._decoder = codecs.getincrementaldecoder(codec)()

    def feed(self, chunk: bytes, final: bool) -> bytes:
        """Return the chunk as UTF-8; the byte order mark stays.

        Raises
        ------
        InputError
            If the bytes are not in this encoding.
        """
        try:
            text = self._decoder.decode(chunk)
            if final and self._decoder.getstate()[0]:
                self.cut = True
                text += "\ufffd"
            return text.encode("utf-8")
        except UnicodeDecodeError as error:
            bad = error.object[error.start]
            raise InputError(
                f"is not {_NAMES[self.codec]} text: the byte {bad:#04x} stands for nothing there",
                do='Declare its encoding in the mapping: encoding = "utf-8", "utf-16" or "windows-1252"',
            ) from None


def raw_length(text: bytes, codec: str) -> int:
    """Return how many bytes UTF-8 text takes in its own encoding."""
    if codec == "utf-8":
        return len(text)
    decoded = text.decode("utf-8")
    return len(decoded) if codec == "cp1252" else len(decoded.encode(codec))


def as_utf8(data: bytes, codec: str) -> bytes:
    """Return whole text as UTF-8; a character that was cut off at its end becomes a replacement character."""
    return data if codec == "utf-8" else data.decode(codec, "replace").encode("utf-8")
