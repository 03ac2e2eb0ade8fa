"""Whether the originals beside a store are what the ledger says was read."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import zstandard

from dripledger.engine import connect
from dripledger.store.ledger import Ledger
from dripledger.store.verify import Finding

_NAME: Final = re.compile(r"^([0-9a-f]{64})_(\d+)\.zst$")
_CHUNK_BYTES: Final = 4 * 1024**2


def verify_originals(root: Path, originals: Path) -> list[Finding]:
    """Check that every file that was read is kept, and unpacks to the bytes that its name says.

    Parameters
    ----------
    root
        The store's folder.
    originals
        The folder of originals; it is only read, one file after the other, a few MiB at a time.

    Returns
    -------
    list of Finding
        Errors first. A file that no ingest names (it was archived by a run that did not commit) is a note.

    Raises
    ------
    StoreFormatError
        If there is no store of this format.
    """
    with connect() as con:
        Ledger.open(root).snapshot().attach(con, ["ingests"])
        rows = con.execute(
            "select source_file_sha256, min(path) from ingests "
            "where source_file_sha256 is not null group by all"
        ).fetchall()
    names = dict(rows)
    findings = list(_check(originals, names))
    return sorted(findings, key=lambda item: (item.level != "error", item.where, item.what))


def _check(folder: Path, names: dict[str, str]) -> Iterator[Finding]:
    found: set[str] = set()
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        match = _NAME.match(path.name)
        where = f"originals/{path.name}"
        if match is None:
            if path.suffix not in (".zst", ".json") or path.name.startswith("."):
                yield Finding("note", where, "is no original; an interrupted run may have left it")
            continue
        sha, size = match[1], int(match[2])
        found.add(sha)
        what = f"the original of {names[sha]}" if sha in names else "this original, which no ingest names,"
        problem = _damage(path, sha, size)
        if problem:
            yield Finding("error" if sha in names else "note", where, f"{what} {problem}")
        elif sha not in names:
            yield Finding("note", where, "no ingest names this file: a run that did not commit left it")
        elif not _index_is_whole(path.with_suffix(".json")):
            yield Finding("error", where, f"{what} has no readable index beside it ({path.stem}.json)")
    for sha in sorted(names.keys() - found):
        yield Finding("error", f"originals/{sha}", f"the original of {names[sha]} is missing")


def _damage(path: Path, sha: str, size: int) -> str:
    """Return what is wrong with the content of one original; nothing: the empty text."""
    digest = hashlib.sha256()
    length = 0
    try:
        with (
            path.open("rb") as packed,
            zstandard.ZstdDecompressor().stream_reader(packed, read_across_frames=True) as stream,
        ):
            while block := stream.read(_CHUNK_BYTES):
                digest.update(block)
                length += len(block)
    except zstandard.ZstdError:
        return "is damaged: it cannot be unpacked"
    except OSError as error:
        return f"cannot be read: {error.strerror}"
    if length != size or digest.hexdigest() != sha:
        return "is damaged: its content is not what was read"
    return ""


def _index_is_whole(path: Path) -> bool:
    try:
        data = json.loads(path.read_text(encoding="utf-8", errors="surrogateescape"))
    except (OSError, ValueError):
        return False
    return isinstance(data, dict) and isinstance(data.get("frames"), list) and "records" in data
