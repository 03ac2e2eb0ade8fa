"""Originals: every byte that was read, kept by content hash in independent zstd frames, owner-only.

One pass over a file hashes it, counts its records and compresses it. A frame holds whole records, so one
record is read back from one frame.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import zstandard

from dripledger.errors import InputError, cannot_write
from dripledger.sources.encodings import as_utf8, raw_length
from dripledger.sources.one_pass import Frame, Reading, one_pass
from dripledger.sources.records import Splitter

__all__ = [
    "Frame",
    "Original",
    "Reading",
    "Stretch",
    "archive",
    "clear_partial",
    "hash_file",
    "hash_stream",
    "open_original",
    "private_folder",
    "read_frame",
    "read_records",
    "read_text",
    "sizes_known",
    "unpack",
]  # fmt: skip

FRAME_BYTES: Final = 4 * 1024 * 1024


@dataclass(frozen=True)
class Original:
    """One file as it was read.

    Parameters
    ----------
    sha256
        Hash over its bytes.
    size_bytes
        Its length.
    records
        Records counted on the bytes, the header not among them.
    body_offset
        Where the first record after header and byte order mark begins.
    header
        The header record as UTF-8, empty where the shape has none.
    frames
        Its frames in order.
    bad_utf8_record
        Number of the last record where that one alone is cut inside a character; else None.
    padded
        Whether some value may begin or end with white space.
    path
        The compressed file.
    encoding
        Python's name of the encoding of its text; frames hold the text as it came. ``"none"``: no text.
    furniture
        Lines passed over that are no records.
    notes
        What a person should know of it.
    even
        Whether the engine's own reader may be trusted with the file where it lies; see `Splitter.even`.
    """

    sha256: str
    size_bytes: int
    records: int
    body_offset: int
    header: bytes
    frames: tuple[Frame, ...]
    bad_utf8_record: int | None
    padded: bool
    path: Path
    encoding: str = "utf-8"
    furniture: int = 0
    notes: tuple[str, ...] = ()
    even: bool = True


def private_folder(path: Path) -> None:
    """Make a folder that only its owner can enter."""
    path.mkdir(parents=True, exist_ok=True, mode=0o700)
    path.chmod(0o700)


def _private_file(path: Path) -> int:
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)


def clear_partial(root: Path) -> None:
    """Take away what a run that was killed left half written; only for who holds the store's lock."""
    for path in root.glob(".partial-*"):
        path.unlink(missing_ok=True)


def sizes_known(root: Path) -> frozenset[int]:
    """Return the lengths of all originals, so that a file of another length need not be hashed beforehand."""
    if not root.is_dir():
        return frozenset()
    return frozenset(
        int(entry.name.rpartition("_")[2].removesuffix(".zst"))
        for entry in os.scandir(root)
        if entry.name.endswith(".zst") and not entry.name.startswith(".")
    )


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def hash_stream(read: Callable[[int], bytes]) -> str:
    """Return the SHA-256 of what a function reads."""
    digest = hashlib.sha256()
    while chunk := read(FRAME_BYTES):
        digest.update(chunk)
    return digest.hexdigest()


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Callable[[int], bytes]]:
    with path.open("rb") as stream:
        yield stream.read


def _told_as_input(function: Callable[[Any], Any], where: str | Path) -> Callable[[Any], Any]:
    """Return a function that opens or reads the input, its failures told as those of the input."""

    def told(argument: Any) -> Any:
        try:
            return function(argument)
        except OSError as error:
            raise InputError(
                f"cannot be read: {error.strerror or error}",
                where=where,
                do="Check the path and its permissions",
            ) from None

    return told


def archive(
    path: Path,
    root: Path,
    reading: Reading,
    opened: AbstractContextManager[Callable[[int], bytes]] | None = None,
    shown: str | None = None,
) -> Original:
    """Read a file once: hash it, count its records, keep it.

    Parameters
    ----------
    path
        The file.
    root
        The folder of originals.
    reading
        How to read it.
    opened
        Gives the function that reads the next bytes, where these are not those of the file as it lies there:
        what a compressed file unpacks to is what is hashed, counted and kept.
    shown
        Its name in messages; default: its path.

    Raises
    ------
    InputError
        If the file cannot be read.
    MachineError
        If what is read cannot be kept.
    """
    private_folder(root)
    partial = root / f".partial-{os.getpid()}-{path.name[-40:]}"
    beside = partial.with_name(f"{partial.name}.json")
    try:
        with contextlib.ExitStack() as stack:
            read = _told_as_input(stack.enter_context, shown or path)(opened or _opened(path))
            out = stack.enter_context(os.fdopen(_private_file(partial), "wb"))
            told = one_pass(_told_as_input(read, shown or path), out.write, reading, FRAME_BYTES)
        final = root / f"{told.sha256}_{told.size_bytes}.zst"
        index = root / f"{told.sha256}_{told.size_bytes}.json"
        original = Original(
            told.sha256, told.size_bytes, told.records, told.body_offset, told.header, tuple(told.frames),
            told.bad_utf8_record, told.padded, final, told.encoding, reading.splitter.furniture,
            tuple(told.notes), told.even,
        )  # fmt: skip
        text = json.dumps({
            "records": told.records, "body_offset": told.body_offset,
            "header": told.header.decode("utf-8", "surrogateescape"),
            "bad_utf8_record": told.bad_utf8_record, "padded": told.padded, "encoding": told.encoding,
            "furniture": reading.splitter.furniture, "notes": told.notes,
            "frames": [list(asdict(frame).values()) for frame in told.frames],
        })  # fmt: skip
        with os.fdopen(_private_file(beside), "w", encoding="utf-8", errors="surrogateescape") as stream_out:
            stream_out.write(text)
        beside.replace(index)
        partial.replace(final)
        return original
    except InputError as error:
        error.where = error.where or shown or str(path)
        raise
    except OSError as error:
        raise cannot_write(root, error.strerror or str(error)) from None
    finally:
        for rest in (partial, beside):
            rest.unlink(missing_ok=True)


def open_original(root: Path, sha256: str) -> Original:
    """Find an original by its hash.

    Raises
    ------
    InputError
        If it is not there.
    """
    for path in sorted(root.glob(f"{sha256}_*.zst")):
        data = json.loads(path.with_suffix(".json").read_text(encoding="utf-8", errors="surrogateescape"))
        return Original(
            sha256,
            int(path.stem.rpartition("_")[2]),
            data["records"],
            data["body_offset"],
            data["header"].encode("utf-8", "surrogateescape"),
            tuple(Frame(*values) for values in data["frames"]),
            data["bad_utf8_record"],
            data["padded"],
            path,
            data.get("encoding", "utf-8"),
            data.get("furniture", 0),
            tuple(data.get("notes", ())),
        )
    raise InputError(
        f"the original with SHA-256 {sha256} is missing", where=root, do="Restore it from a backup"
    )


def read_frame(original: Original, frame: Frame) -> bytes:
    """Return the bytes of one frame."""
    with original.path.open("rb") as stream:
        stream.seek(frame.packed_offset)
        return zstandard.ZstdDecompressor().decompress(stream.read(frame.packed_length))


def read_text(original: Original, frame: Frame) -> bytes:
    """Return the text of one frame as UTF-8; of a workbook, its bytes."""
    data = read_frame(original, frame)
    return data if original.encoding == "none" else as_utf8(data, original.encoding)


@dataclass(frozen=True, slots=True)
class Stretch:
    """One record read back.

    Parameters
    ----------
    number
        Its number in the file, from 1.
    offset, length
        Its place in the file, bytes: of a compressed file, in what it unpacks to; of a workbook, in the
        unpacked part that holds its sheet.
    data
        Its text as UTF-8, whatever the file's encoding.
    fields
        Its raw values; None where it cannot be split.
    """

    number: int
    offset: int
    length: int
    data: bytes
    fields: list[bytes] | None


def read_records(
    original: Original, splitter: Splitter, wanted: Sequence[int] | None = None
) -> Iterator[Stretch]:
    """Yield wanted records, or all, in order.

    Only frames that hold a wanted record are unpacked.
    """
    numbers = None if wanted is None else sorted(set(wanted))
    splitter.begin(original.header)
    for frame in original.frames:
        if not frame.records:
            continue
        if numbers is not None:
            keep = {n for n in numbers if frame.record <= n < frame.record + frame.records}
            if not keep:
                continue
        block = read_text(original, frame)
        as_it_lies = original.encoding in ("utf-8", "none")
        splitter.resume(frame.context)
        at, seen, place = frame.offset, 0, -1
        for place, row in enumerate(splitter.split(block)):
            number = frame.record + place
            if numbers is not None and number not in keep:
                continue
            data = block[row.start : row.end] if row.data is None else row.data
            if as_it_lies:
                offset = row.start if original.encoding == "none" else frame.offset + row.start
                length = row.end - row.start
            else:
                at += raw_length(block[seen : row.start], original.encoding)
                seen, offset = row.start, at
                length = raw_length(data, original.encoding)
                if frame.offset + frame.length < offset + length:
                    length = frame.offset + frame.length - offset
            yield Stretch(number, offset, length, data, row.fields)
        if splitter.whole and place + 1 != frame.records:
            raise InputError(
                f"holds {place + 1} records as its mapping reads it now, and {frame.records} were counted",
                do="Put back what was changed in the mapping, or read the source again with "
                "'dripledger ingest --redo'",
            )


def unpack(original: Original, target: Path) -> Path:
    """Write an original back to an owner-only file and return its path."""
    with os.fdopen(_private_file(target), "wb") as out:
        for frame in original.frames:
            out.write(read_frame(original, frame))
    return target
