"""Where things lie below ``store/``, the format number, and which paths a store can have."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from dripledger.errors import ConfigurationError, StoreFormatError

#: The format that this version writes and reads.
FORMAT: Final = 1

# What the storage library cannot hold in a folder's name (it decodes or refuses them), and what DuckDB
# would take for a pattern.
_UNUSABLE: Final = re.compile(r"%[0-9A-Fa-f]{2}|[\[\]|^`\\*?\x00-\x1f\x7f]")


def format_file(root: Path) -> Path:
    """Return the file that holds the format number."""
    return root / "format.json"


def lock_file(root: Path) -> Path:
    """Return the file that the one writer locks."""
    return root / "writer.lock"


def declarations_folder(root: Path) -> Path:
    """Return the folder with copies of declarations, named by their SHA-256."""
    return root / "declarations"


def check_path(root: Path) -> None:
    """Refuse a path that the storage library would misread.

    Raises
    ------
    ConfigurationError
        If a part of the path holds such a character.
    """
    for part in root.parts:
        found = _UNUSABLE.search(part)
        if found:
            raise ConfigurationError(
                f"a store cannot lie below a folder whose name holds {found[0]!r}",
                where=root,
                do="Rename or move the site folder",
            )
        if part.startswith("month="):
            raise ConfigurationError(
                "a store cannot lie below a folder whose name begins with 'month='",
                where=root,
                do="Rename or move the site folder",
            )


def read_format(root: Path) -> int | None:
    """Return the store's format number, or None where there is no store.

    Raises
    ------
    StoreFormatError
        If the file is there but says nothing that can be understood.
    """
    path = format_file(root)
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        number = found["format"]
    except FileNotFoundError:
        return None
    except (ValueError, KeyError, TypeError):
        number = None
    if not isinstance(number, int) or isinstance(number, bool):
        raise StoreFormatError(
            "holds no format number",
            where=path,
            do=f'Restore it from a backup; a store of this version holds {{"format": {FORMAT}}}',
        )
    return number


def check_format(root: Path) -> None:
    """Refuse what is no store, a newer store, and an older one that needs `upgrade`.

    Raises
    ------
    StoreFormatError
        The message names both format numbers.
    """
    number = read_format(root)
    if number is None:
        raise StoreFormatError(
            "there is no store here yet",
            where=root,
            do="Read some logs first with 'dripledger ingest'",
        )
    if number > FORMAT:
        raise StoreFormatError(
            f"the store has format {number}, and this version of dripledger knows formats up to {FORMAT}",
            where=root,
            do="Use the newer version of dripledger that wrote it",
        )
    if number < FORMAT:
        raise StoreFormatError(
            f"the store has format {number}, and this version of dripledger works with format {FORMAT}",
            where=root,
            do="Run 'dripledger upgrade'",
        )


@contextlib.contextmanager
def owner_only() -> Iterator[None]:
    """Create every file and folder inside the block for the owner alone."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def write_whole(path: Path, content: bytes) -> None:
    """Write a small file so that it is there whole or not at all, for the owner alone."""
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def is_running(pid: int) -> bool:
    """Whether there is a process with this number."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


@contextlib.contextmanager
def spill_folder(root: Path, purpose: str) -> Iterator[Path | None]:
    """Give a private folder below the store for what does not fit into memory; removed afterwards.

    Folders of processes that are gone are removed too. Yields None where the store cannot be written to.
    """
    parent = root / "spill"
    try:
        with owner_only():
            parent.mkdir(exist_ok=True)
        for old in parent.iterdir():
            pid = old.name.split("-")[1] if old.name.count("-") >= 2 else ""
            if pid.isdigit() and not is_running(int(pid)):
                shutil.rmtree(old, ignore_errors=True)
        folder = Path(tempfile.mkdtemp(dir=parent, prefix=f"{purpose}-{os.getpid()}-"))
    except OSError:
        yield None
        return
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
