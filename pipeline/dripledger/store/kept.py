"""Small files of what was worked out once, each under a key; one with which anything is wrong is none."""

from __future__ import annotations

import contextlib
import hashlib
import io
from collections.abc import Mapping
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from dripledger.store.layout import owner_only, write_whole


def read_kept(path: Path, key: str) -> bytes | None:
    """Return what was kept in a file under this key, if it is there and whole."""
    try:
        head, content = path.read_bytes().split(b"\n", 1)
    except (OSError, ValueError):
        return None
    return content if head == _head(key, content) else None


def write_kept(folder: Path, found: Mapping[str, tuple[str, bytes]]) -> None:
    """Keep contents by file name, each under its key, in place of what was kept there; for the owner alone.

    Where that cannot be written, nothing is kept: it costs the next time only time. Of nothing no folder is
    made.
    """
    if not found:
        return
    with contextlib.suppress(OSError), owner_only():
        folder.mkdir(parents=True, exist_ok=True)
        for part in folder.glob(".part-*"):
            # of a run that was killed; one that is at work does without
            part.unlink(missing_ok=True)
        for name, (key, content) in found.items():
            write_whole(folder / name, _head(key, content) + b"\n" + content)


def pack(table: pa.Table) -> bytes:
    """Return a table as it is kept; `unpack` reads it."""
    stream = io.BytesIO()
    pq.write_table(table, stream, compression="zstd")
    return stream.getvalue()


def unpack(content: bytes) -> pa.Table:
    """Return the table that `pack` was given.

    Raises
    ------
    pyarrow.ArrowException
        Where it is none.
    """
    return pq.read_table(io.BytesIO(content))


def _head(key: str, content: bytes) -> bytes:
    return f"{key} {hashlib.sha256(content).hexdigest()}".encode()
