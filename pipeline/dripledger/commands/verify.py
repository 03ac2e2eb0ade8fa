"""`verify`: a site's store and originals, a store alone, the files of a report, or a packet."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from dripledger.errors import UsageError, VerificationError
from dripledger.store import Finding, is_sound, verify_originals, verify_store
from dripledger.store.verify import INTERRUPTED

if TYPE_CHECKING:
    from dripledger.site import Site

_RESTORE = "Restore what is named from a backup"
_FINISH = "Nothing is lost: run 'dripledger ingest' once, which takes back what was left unfinished"
_LEVELS = ("level", "where", "what")


@dataclass(frozen=True)
class Checked:
    """What was checked, and what was found.

    Parameters
    ----------
    place
        The folder.
    findings
        What was found, errors first.
    sentence
        What may be said where there is no error.
    restore
        What to do where there is one.
    """

    place: Path
    findings: list[Finding]
    sentence: str
    restore: str = _RESTORE

    @property
    def is_sound(self) -> bool:
        """Whether there is no error among the findings."""
        return is_sound(self.findings)

    def as_table(self) -> pa.Table:
        """Return the findings as rows of (level, where, what)."""
        rows = [{name: getattr(item, name) for name in _LEVELS} for item in self.findings]
        return pa.Table.from_pylist(rows, schema=pa.schema([(name, pa.string()) for name in _LEVELS]))


def check(path: Path, original: Path | None = None, site: Site | None = None) -> Checked:
    """Check a folder: a site (store and originals), a store, or a report; or a file: the packet of a trace.

    Parameters
    ----------
    path
        The folder or file; it is only read.
    original
        An export to prove a packet's records against.
    site
        A site to make a packet again from.

    Raises
    ------
    UsageError
        If there is no such folder.
    StoreFormatError
        If the folder holds no store of this format.
    """
    if not path.exists():
        raise UsageError("there is no such file or folder", where=path)
    if not path.is_dir():
        return _packet(path, original, site)
    if original is not None:
        raise UsageError("--original goes with a packet", where=path, do="Name the packet's file")
    if (path / "site.toml").is_file():
        root = path / "store"
        findings = verify_store(root) + verify_originals(root, path / "originals")
        findings.sort(key=lambda item: (item.level != "error", item.where, item.what))
        return Checked(
            path,
            findings,
            f"{path}: sound; every hash, version and balance is as the commits wrote down, and every "
            "original unpacks to what was read.",
        )
    if not (path / "format.json").exists() and (path / "manifest.json").is_file():
        return Checked(
            path,
            list(_report(path)),
            f"{path}: sound; every file of the report is as its manifest says.",
            "Write the report again with --as-of and the store version of its manifest",
        )
    return Checked(
        path,
        verify_store(path),
        f"{path}: sound; every hash, version and balance is as the commits wrote down. Originals were not "
        "read: for that, name the site folder.",
    )


def _packet(path: Path, original: Path | None, site: Site | None) -> Checked:
    from dripledger.incidents.verifying import read_packet, verify_packet

    data = read_packet(path)
    if data[:4] != b"PK\x03\x04" and path.suffix != ".zip":
        raise UsageError(
            "is a file, and no packet",
            where=path,
            do="Name a site folder, a store folder, a report's folder or a packet",
        )
    if original is not None and not original.is_file():
        raise UsageError("there is no such file", where=original)
    told = f"{path}: sound; every byte is as it was written"
    if original is not None:
        told += f", and its records stand so in {original.name}"
    told += (
        ", and the store gives the same." if site is not None
        else ". Whether its store gives the same, only that store can tell: name it with --site."
    )  # fmt: skip
    return Checked(path, verify_packet(data, original, site), told, "Make the packet again from the store")


def failed(checked: Checked) -> VerificationError:
    """Return the error that ends the verb where something is not as it was written down."""
    from dripledger.incidents.verifying import OTHER_FILE

    wrong = [item for item in checked.findings if item.level == "error"]
    if all(item.what.startswith(OTHER_FILE) for item in wrong):
        return VerificationError(
            f"the packet is sound, and {wrong[0].where} is another file than its records came in, or was "
            "changed since",
            where=checked.place,
            do="Name the export that was read, as it came",
        )
    errors = len(wrong)
    return VerificationError(
        f"{errors} {'thing is' if errors == 1 else 'things are'} not as written down",
        where=checked.place,
        do=_FINISH if all(item.what.startswith(INTERRUPTED) for item in wrong) else checked.restore,
    )


def _report(folder: Path) -> Iterator[Finding]:
    """Compare a report's files with the hashes of its manifest."""
    try:
        manifest: Any = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
        told = manifest["files"].items()
        hashes = {str(name): str(entry["sha256"]) for name, entry in told}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        yield Finding("error", "manifest.json", "is no manifest of a report")
        return
    for name, digest in sorted(hashes.items()):
        if not re.fullmatch(r"(?:[^/\\\0]+/)?[^/\\\0]+", name) or {".", ".."} & set(name.split("/")):
            yield Finding("error", "manifest.json", f"names a file outside the folder: {name!r}")
            continue
        try:
            found = hashlib.sha256((folder / name).read_bytes()).hexdigest()
        except FileNotFoundError:
            yield Finding("error", name, "is missing")
        except OSError as error:
            yield Finding("error", name, f"cannot be read: {error.strerror}")
        else:
            if found != digest:
                yield Finding("error", name, "is not the file that was written")
    folders = {name.split("/", 1)[0] for name in hashes if "/" in name}
    for path in sorted(folder.iterdir()):
        inner = sorted(path.iterdir()) if path.name in folders and path.is_dir() else [path]
        for one in inner:
            name = one.relative_to(folder).as_posix()
            if name not in {*hashes, "manifest.json"}:
                yield Finding("note", name, "the manifest does not name this file")
