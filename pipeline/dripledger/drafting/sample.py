"""The beginning of a file, unpacked and decoded: what a draft looks at, never more than a few MiB."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from dripledger.errors import InputError, UsageError
from dripledger.site import Limits
from dripledger.sources.encodings import tell
from dripledger.sources.opening import Inbound, is_zip, members_of, opened

#: A draft looks at this much of a file, and at no more records than this.
SAMPLE_BYTES: Final = 2 << 20
SAMPLE_RECORDS: Final = 4000
_CODECS: Final = {"utf-8": "utf-8", "utf-16-le": "utf-16", "utf-16-be": "utf-16", "cp1252": "windows-1252"}

Values = dict[str, list[str | None]]


@dataclass
class Head:
    """The beginning of a file.

    Parameters
    ----------
    path
        The file.
    name
        Its name, or that of the file inside the zip that was looked at.
    data
        Its first bytes, unpacked.
    complete
        Whether that is all of it.
    text
        The same as text; empty where it is none.
    encoding
        What the mapping has to say of it; None: nothing.
    notes
        What a person should know.
    """

    path: Path
    name: str
    data: bytes
    complete: bool
    text: str = ""
    encoding: str | None = None
    notes: list[str] = field(default_factory=list)


@dataclass
class Sample:
    """The first records of a file as columns of text.

    Parameters
    ----------
    shape
        One of `sources.shapes.SHAPES`.
    options
        What its table in the mapping says.
    values
        Raw field -> its values, one a record; None: empty.
    why
        Why this shape, one sentence.
    assumed
        What the bytes do not decide, one sentence each.
    notes
        What a person should know.
    meanings
        Raw field -> words that say more than its own name does, where there are some.
    """

    shape: str
    options: dict[str, Any]
    values: Values
    why: str
    assumed: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    meanings: dict[str, str] = field(default_factory=dict)

    @property
    def records(self) -> int:
        """How many records it holds."""
        return max((len(v) for v in self.values.values()), default=0)


def read_head(path: Path, limits: Limits) -> Head:
    """Read the beginning of a file, or of the first file in a zip.

    Raises
    ------
    UsageError
        If there is no such file.
    InputError
        If it cannot be read, or is empty.
    """
    if not path.is_file():
        what = "is no regular file" if path.exists() else "there is no such file"
        raise UsageError(what, where=path, do="Name one export")
    notes = []
    inbound, name = Inbound(path), path.name
    if is_zip(path):
        members = members_of(path, limits)
        if not members:
            raise InputError("holds no file", where=path, do="Pack it again")
        inbound, name = Inbound(path, members[0]), members[0]
        if len(members) > 1:
            notes.append(f"a zip of {len(members)} files: this draft is of {members[0]!r} alone")
    shown = str(path) if inbound.member is None else f"{path}/{inbound.member}"
    try:
        with opened(inbound, shown, limits) as read:
            data = b""
            # a workbook can only be read as a whole
            most = int(limits.workbook_mib * (1 << 20))
            while len(data) <= (most if data[:4] == b"PK\x03\x04" else SAMPLE_BYTES):
                more = read(SAMPLE_BYTES + 1 - len(data) if data[:4] != b"PK\x03\x04" else 1 << 20)
                if not more:
                    break
                data += more
    except OSError as error:
        raise InputError(
            f"cannot be read: {error.strerror}", where=path, do="Check its permissions"
        ) from None
    if not data.strip():
        raise InputError("is empty", where=shown, do="Export it again")
    complete = len(data) <= SAMPLE_BYTES or data[:4] == b"PK\x03\x04"
    return Head(path, name, data if data[:4] == b"PK\x03\x04" else data[:SAMPLE_BYTES], complete, notes=notes)


def decode(head: Head) -> None:
    """Fill in `text` and `encoding`.

    Raises
    ------
    InputError
        If it is no text that can be read here.
    """
    try:
        told = tell(head.data[:4096], "detect", head.data.lstrip()[:5] == b"<?xml")
    except InputError as error:
        error.where = error.where or str(head.path)
        raise
    if told.codec == "utf-8":
        try:
            head.text = head.data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            if head.complete or error.end < len(head.data) - 3 or error.reason != "unexpected end of data":
                head.text = head.data.decode("cp1252", "replace")
                head.encoding = "windows-1252"
                return
            head.text = head.data[: error.start].decode("utf-8-sig")
        return
    head.text = head.data.decode(told.codec, "ignore").lstrip("\ufeff")
    if told.note and "says itself" not in told.note:
        head.encoding = _CODECS[told.codec]
