"""What lies in the inbox, opened: a plain file, a gzip or a member of a zip, within the limits."""

from __future__ import annotations

import contextlib
import errno
import gzip
import lzma
import stat
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from dripledger.errors import InputError
from dripledger.site import Limits

_GZIP: Final = b"\x1f\x8b"
_ZIP: Final = b"PK\x03\x04"
#: Below this size a high ratio means nothing.
_SMALL_BYTES: Final = 16 << 20
_ENCRYPTED: Final = 0x1
#: What a damaged zip makes its reader raise: a place before the file's begin is a ValueError, for one.
DAMAGED: Final = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    KeyError,
    RuntimeError,
    ValueError,
)


@dataclass(frozen=True, slots=True)
class Inbound:
    """One file to read.

    Parameters
    ----------
    path
        Where it lies.
    member
        Its name inside, where `path` is a zip.
    """

    path: Path
    member: str | None = None


def is_zip(path: Path) -> bool:
    """Whether a file is a zip to look into: by its name, so that a workbook is none."""
    return path.suffix.lower() == ".zip"


def is_packed(inbound: Inbound) -> bool:
    """Whether what is read is not what lies there."""
    if inbound.member is not None:
        return True
    with inbound.path.open("rb") as stream:
        return stream.read(2) == _GZIP


def plain_name(name: str) -> str:
    """Return a file's name without the ending of its compression."""
    return name[:-3] if name.lower().endswith(".gz") else name


def members_of(path: Path, limits: Limits) -> list[str]:
    """Return the files inside a zip, sorted.

    Raises
    ------
    InputError
        If it cannot be read, or is refused whole: a member's path leads out of it, is a link or encrypted, or
        a limit is passed.
    """
    try:
        with zipfile.ZipFile(path) as packed:
            infos = [info for info in packed.infolist() if not info.is_dir()]
    except DAMAGED:
        raise InputError("is no zip, or is damaged", where=path, do="Copy or export it again") from None
    except OSError as error:
        raise InputError(
            f"cannot be read: {error.strerror}", where=path, do="Check its permissions"
        ) from None
    if len(infos) > limits.members:
        raise _past(path, f"holds {len(infos)} files, and {limits.members} are allowed", "members")
    names = [info.filename for info in infos]
    for info in infos:
        _check_member(path, info)
    if len(set(names)) < len(names):
        raise InputError("holds two files of one name", where=path, do="Pack it again")
    total = sum(info.file_size for info in infos)
    _check_size(path, total, path.stat().st_size, limits)
    return sorted(name for name in names if not _hidden(name))


def _hidden(name: str) -> bool:
    return any(piece.startswith(".") or piece == "__MACOSX" for piece in name.split("/"))


def _check_member(path: Path, info: zipfile.ZipInfo) -> None:
    name = info.filename
    pieces = name.replace("\\", "/").split("/")
    if ".." in pieces or name.startswith(("/", "\\")) or (len(name) > 1 and name[1] == ":") or "" in pieces:
        raise InputError(
            f"holds a file whose path leads out of it: {name!r}", where=path, do="Pack it again without paths"
        )
    if stat.S_ISLNK(info.external_attr >> 16):
        raise InputError(
            f"holds a link instead of a file: {name!r}", where=path, do="Pack the file that it points to"
        )
    if info.flag_bits & _ENCRYPTED:
        raise InputError("is encrypted", where=path, do="Unpack it and put the files into the inbox")


def _past(where: Path | str, what: str, key: str) -> InputError:
    return InputError(
        what,
        where=where,
        do=f"Where the file is right, raise {key!r} under [limits] in site.toml",
    )


def _check_size(where: Path | str, unpacked: int, packed: int, limits: Limits) -> None:
    if unpacked > limits.unpacked_gib * (1 << 30):
        raise _past(where, f"unpacks to more than {limits.unpacked_gib:g} GiB", "unpacked_gib")
    if unpacked > _SMALL_BYTES and unpacked > limits.unpack_ratio * max(packed, 1):
        raise _past(where, f"unpacks to more than {limits.unpack_ratio:g} times its size", "unpack_ratio")


@contextlib.contextmanager
def opened(inbound: Inbound, shown: str, limits: Limits) -> Iterator[Callable[[int], bytes]]:
    """Open a file and give the function that reads its next unpacked bytes.

    Raises
    ------
    InputError
        If it is damaged, cut off, or passes a limit while it is read.
    """
    with contextlib.ExitStack() as stack:
        try:
            stream: BinaryIO = stack.enter_context(inbound.path.open("rb"))
            size = inbound.path.stat().st_size
            if inbound.member is not None:
                packed = stack.enter_context(zipfile.ZipFile(stream))
                size = packed.getinfo(inbound.member).compress_size
                stream = stack.enter_context(packed.open(inbound.member))  # type: ignore[assignment]
            head = stream.read(4)
            stream.seek(0)
            if head[:2] == _GZIP:
                stream = stack.enter_context(gzip.GzipFile(fileobj=stream))  # type: ignore[assignment]
            elif inbound.member is not None and head == _ZIP and is_zip(Path(inbound.member)):
                raise InputError("is a zip inside a zip", where=shown, do="Unpack the outer one")
        except DAMAGED:
            raise _damaged(shown) from None
        except OSError as error:
            if error.errno != errno.EINVAL:
                raise
            # a member that is said to begin before the file does
            raise _damaged(shown) from None
        if inbound.member is None and head[:2] != _GZIP:
            yield stream.read
            return
        count = 0

        def read(wanted: int) -> bytes:
            nonlocal count
            try:
                data = stream.read(wanted)
            except (*DAMAGED, gzip.BadGzipFile):
                raise _damaged(shown) from None
            count += len(data)
            _check_size(shown, count, size, limits)
            return data

        yield read


def _damaged(shown: str) -> InputError:
    return InputError(
        "cannot be unpacked: it is damaged, or was cut off", where=shown, do="Copy or export it again"
    )


def unpacked_size_hint(inbound: Inbound) -> int | None:
    """Return the unpacked size modulo 2^32 as a compressed file tells it; None where it tells none."""
    try:
        if inbound.member is not None:
            with zipfile.ZipFile(inbound.path) as packed:
                return packed.getinfo(inbound.member).file_size % (1 << 32)
        with inbound.path.open("rb") as stream:
            if stream.read(2) != _GZIP:
                return inbound.path.stat().st_size % (1 << 32)
            stream.seek(-4, 2)
            return int.from_bytes(stream.read(4), "little")
    except (OSError, *DAMAGED):
        return None
