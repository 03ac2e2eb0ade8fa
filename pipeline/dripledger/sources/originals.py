"""Originals: every byte that was read, kept by content hash in independent zstd frames, owner-only.

One pass over a file hashes it, counts its records and compresses it. A frame holds whole records, so one
record is read back from one frame.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

import zstandard

from dripledger.errors import InputError
from dripledger.sources.records import LONGEST_VALUE_BYTES, Splitter

FRAME_BYTES: Final = 4 * 1024 * 1024
_BOM: Final = b"\xef\xbb\xbf"


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
        Place in the file, bytes.
    packed_offset, packed_length
        Place in the compressed file, bytes.
    """

    record: int
    records: int
    offset: int
    length: int
    packed_offset: int
    packed_length: int


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
        The header record as bytes, empty where the shape has none.
    frames
        Its frames in order.
    bad_utf8_record
        Number of the last record where that one alone is cut inside a character; else None.
    padded
        Whether some value may begin or end with white space.
    path
        The compressed file.
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


def private_folder(path: Path) -> None:
    """Make a folder that only its owner can enter."""
    path.mkdir(parents=True, exist_ok=True, mode=0o700)
    path.chmod(0o700)


def _private_file(path: Path) -> int:
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)


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


def archive(path: Path, root: Path, splitter: Splitter, has_header: bool) -> Original:
    """Read a file once: hash it, count its records, keep it.

    Parameters
    ----------
    path
        The file.
    root
        The folder of originals.
    splitter
        How its shape is cut into records.
    has_header
        Whether the first record is a header.

    Raises
    ------
    InputError
        If the file cannot be read, or is no UTF-8 text.
    """
    private_folder(root)
    partial = root / f".partial-{os.getpid()}-{path.name[-40:]}"
    try:
        with path.open("rb") as stream, os.fdopen(_private_file(partial), "wb") as out:
            told = _pass(path, stream.read, out.write, splitter, has_header)
        sha, size, records, body, header, frames, bad, padded = told
        final = root / f"{sha}_{size}.zst"
        index = root / f"{sha}_{size}.json"
        original = Original(sha, size, records, body, header, tuple(frames), bad, padded, final)
        text = json.dumps({
            "records": records, "body_offset": body, "header": header.decode("utf-8", "surrogateescape"),
            "bad_utf8_record": bad, "padded": padded,
            "frames": [list(asdict(frame).values()) for frame in frames],
        })  # fmt: skip
        with os.fdopen(_private_file(index), "w", encoding="utf-8", errors="surrogateescape") as stream_out:
            stream_out.write(text)
        partial.replace(final)
        return original
    except OSError as error:
        raise InputError(
            f"cannot be read: {error.strerror or error}", where=path, do="Check the path and its permissions"
        ) from None
    finally:
        partial.unlink(missing_ok=True)


def _pass(
    path: Path,
    read: Callable[[int], bytes],
    write: Callable[[bytes], object],
    splitter: Splitter,
    has_header: bool,
) -> tuple[str, int, int, int, bytes, list[Frame], int | None, bool]:
    """Go over the bytes once; return what `Original` holds but for its path."""
    digest = hashlib.sha256()
    frames: list[Frame] = []
    header = b""
    body_offset = 0
    record, offset, packed = 1, 0, 0
    bad: int | None = None
    started, padded = False, False
    buffer = b""
    pending: list[tuple[int, int, int, int, Future[bytes]]] = []

    with ThreadPoolExecutor(max_workers=2) as pool:

        def settle(keep: int) -> None:
            nonlocal packed
            while len(pending) > keep:
                first, number, at, length, job = pending.pop(0)
                data = job.result()
                write(data)
                frames.append(Frame(first, number, at, length, packed, len(data)))
                packed += len(data)

        while True:
            chunk = read(FRAME_BYTES)
            final = not chunk
            hashing = pool.submit(digest.update, chunk)
            buffer = buffer + chunk if buffer else chunk
            if not started and (buffer or final):
                _check_characters(path, buffer, has_header)
                skip = len(_BOM) if buffer.startswith(_BOM) else 0
                if has_header:
                    taken = _first_record(buffer, skip, splitter, final)
                    if taken is None and not final and len(buffer) < 2 * LONGEST_VALUE_BYTES:
                        hashing.result()
                        continue
                    header, skip = taken if taken is not None else (b"", len(buffer))
                    _check_line_ends(path, header, splitter)
                body_offset = skip
                started = True
                if skip:
                    head = buffer[:skip]
                    pending.append((1, 0, 0, skip, pool.submit(_pack, head)))
                    offset, buffer = skip, buffer[skip:]
            count, consumed = splitter.consume(buffer, final)
            if consumed:
                whole = buffer[:consumed]
                buffer = buffer[consumed:]
                job = pool.submit(_pack, whole)
                padded = padded or splitter.padded(whole)
                if not whole.isascii():
                    bad = _check_utf8(path, whole, splitter, record, final)
                pending.append((record, count, offset, len(whole), job))
                record += count
                offset += len(whole)
            settle(2)
            hashing.result()
            if final:
                break
        settle(0)
    return digest.hexdigest(), offset, record - 1, body_offset, header, frames, bad, padded


def _pack(data: bytes) -> bytes:
    return zstandard.ZstdCompressor(level=3, write_content_size=True).compress(data)


def _first_record(buffer: bytes, skip: int, splitter: Splitter, final: bool) -> tuple[bytes, int] | None:
    """Return the header record and the first byte after it; None where the buffer does not hold it whole."""
    at = skip
    while True:
        newline = buffer.find(b"\n", at)
        if newline < 0 and not final:
            return None
        end = len(buffer) if newline < 0 else newline + 1
        count, _ = splitter.consume(buffer[skip:end], True)
        rows = list(splitter.split(buffer[skip:end]))
        if count == 1 and rows[0].fields is not None:
            return buffer[skip + rows[0].start : skip + rows[0].end], end
        if newline < 0 or end - skip > LONGEST_VALUE_BYTES:
            # no proper header: the caller complains about the columns that it lacks
            first = buffer.find(b"\n", skip)
            end = len(buffer) if first < 0 else first + 1
            return buffer[skip:end].rstrip(b"\r\n"), end
        at = end


def _check_characters(path: Path, head: bytes, has_header: bool) -> None:
    """Refuse a file whose first bytes are no UTF-8 text at all."""
    start = head[:4096]
    # without a byte order mark: one of the first two bytes is zero
    half_zero = len(start) > 1 and (not start[0]) != (not start[1])
    if half_zero or start.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(
            "is UTF-16 text (two bytes or more a character), and UTF-8 is read here",
            where=path,
            do="Export it as UTF-8, or convert it first",
        )
    if has_header and b"\x00" in start:
        raise InputError(
            "begins with NUL bytes, so it is no text",
            where=path,
            do="Export it again, as UTF-8 text",
        )


def _check_line_ends(path: Path, header: bytes, splitter: Splitter) -> None:
    """Refuse a header that a carriage return alone divides: every record after it would be lost in it."""
    quote = getattr(splitter, "quote", b'"')
    if any(b"\r" in outside for outside in header.split(quote)[0::2]):
        raise InputError(
            "its lines end with a carriage return alone, so that the header never ends",
            where=path,
            row=1,
            do="Export it with line ends of Unix (LF) or Windows (CR LF), or convert it first",
        )


def _check_utf8(path: Path, block: bytes, splitter: Splitter, record: int, final: bool) -> int | None:
    try:
        block.decode("utf-8")
    except UnicodeDecodeError as error:
        rows = [(record + place, row) for place, row in enumerate(splitter.split(block))]
        number = max((n for n, row in rows if row.start <= error.start), default=record)
        if final and error.reason == "unexpected end of data" and rows and number == rows[-1][0]:
            # a file that was cut inside a character: only its last record waits
            return number
        raise InputError(
            f"is not UTF-8 text: the byte {block[error.start]:#04x} in record {number} cannot be decoded",
            where=path,
            do="Export it as UTF-8, or convert it first",
        ) from None
    return None


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
        )
    raise InputError(
        f"the original with SHA-256 {sha256} is missing", where=root, do="Restore it from a backup"
    )


def read_frame(original: Original, frame: Frame) -> bytes:
    """Return the bytes of one frame."""
    with original.path.open("rb") as stream:
        stream.seek(frame.packed_offset)
        return zstandard.ZstdDecompressor().decompress(stream.read(frame.packed_length))


def read_records(
    original: Original, splitter: Splitter, wanted: Sequence[int] | None = None
) -> Iterator[tuple[int, int, bytes, list[bytes] | None]]:
    """Yield (record number, byte offset, its bytes, its raw values) of wanted records, or of all.

    Only frames that hold a wanted record are unpacked.
    """
    numbers = None if wanted is None else sorted(set(wanted))
    for frame in original.frames:
        if not frame.records:
            continue
        if numbers is not None:
            keep = {n for n in numbers if frame.record <= n < frame.record + frame.records}
            if not keep:
                continue
        block = read_frame(original, frame)
        for place, row in enumerate(splitter.split(block)):
            number = frame.record + place
            if numbers is None or number in keep:
                yield number, frame.offset + row.start, block[row.start : row.end], row.fields


def unpack(original: Original, target: Path) -> Path:
    """Write an original back to an owner-only file and return its path."""
    with os.fdopen(_private_file(target), "wb") as out:
        for frame in original.frames:
            out.write(read_frame(original, frame))
    return target
