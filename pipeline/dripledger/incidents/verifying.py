"""Checks a packet: its own bytes, against the export that its records came from, and against the store."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from dripledger import __version__
from dripledger.errors import DripledgerError, VerificationError
from dripledger.events.evidence import same_but_for
from dripledger.incidents.packet import DIGEST, MANIFEST, digest_line, make_packet, read_records
from dripledger.incidents.tracing import Asked
from dripledger.incidents.zips import NotCanonicalError, unpack
from dripledger.measures import site_as_published
from dripledger.site import Site
from dripledger.store import Finding, Ledger

#: How a finding begins that says nothing of the packet, only of the file that it was held against.
OTHER_FILE: Final = "is none of the files that the packet's records came in"
#: An export is unpacked up to this size to look for a file in it.
_LARGEST_BYTES: Final = 4 * 1024**3


def verify_packet(data: bytes, original: Path | None = None, site: Site | None = None) -> list[Finding]:
    """Check a packet.

    Parameters
    ----------
    data
        Its bytes.
    original
        An export to prove the records against.
    site
        A site whose store the packet is to be made from again.

    Returns
    -------
    list of Finding
        Errors, and notes on what could not be checked; empty: sound.
    """
    try:
        members = unpack(data)
    except NotCanonicalError as error:
        return [Finding("error", "the zip", str(error))]
    found = list(_own(members))
    if any(item.level == "error" for item in found):
        return found
    if original is not None:
        found += _against_original(members, original)
    if site is not None:
        found += _against_store(members, data, site)
    return found


def _own(members: Mapping[str, bytes]) -> Iterator[Finding]:
    if MANIFEST not in members:
        yield Finding("error", MANIFEST, "is missing: this is no packet")
        return
    if members.get(DIGEST) != digest_line(members[MANIFEST]):
        yield Finding("error", MANIFEST, "is not the manifest that was written")
    try:
        manifest = json.loads(members[MANIFEST])
        told = {str(name): str(entry["sha256"]) for name, entry in manifest["files"].items()}
        if manifest["kind"] != "packet":
            raise ValueError
    except (ValueError, KeyError, TypeError, AttributeError):
        yield Finding("error", MANIFEST, "is no manifest of a packet")
        return
    for name, digest in sorted(told.items()):
        if name not in members:
            yield Finding("error", name, "is missing")
        elif hashlib.sha256(members[name]).hexdigest() != digest:
            yield Finding("error", name, "is not the file that was written")
    for name in sorted(set(members) - set(told) - {MANIFEST, DIGEST}):
        yield Finding("error", name, "was added: the manifest does not name it")


def _against_original(members: Mapping[str, bytes], path: Path) -> Iterator[Finding]:
    records = read_records(members)
    hashes = {row["file_sha256"] for row in records}
    matched = None
    for content in _contents(path):
        digest = hashlib.sha256(content).hexdigest()
        if digest in hashes:
            matched = (digest, content)
            break
    if matched is None:
        yield Finding("error", path.name, f"{OTHER_FILE} (by SHA-256){_files_named(members)}")
        return
    digest, content = matched
    for row in records:
        if row["file_sha256"] != digest:
            continue
        where = f"record {row['record']}"
        if row["encoding"] in ("", "none"):
            yield Finding(
                "note", where, "cannot be laid on the file's bytes; the file itself is the one that was read"
            )
            continue
        start = int(row["byte_offset"])
        if not same_but_for(
            content[start : start + int(row["byte_length"])], row["data"], row["overwritten"]
        ):
            yield Finding("error", where, f"does not stand so in {path.name}")
    others = sorted(hashes - {digest})
    for other in others:
        yield Finding(
            "note", other[:16], "another file that records came in: check it with its own --original"
        )


def _files_named(members: Mapping[str, bytes]) -> str:
    """Return what the manifest calls the files that records came in; empty where it calls them nothing."""
    sources = json.loads(members[MANIFEST]).get("sources")
    names = sorted({str(one["path"]) for one in sources or () if isinstance(one, dict) and one.get("path")})
    return f": {', '.join(names)}" if names else ""


def _contents(path: Path) -> Iterator[bytes]:
    """Yield what an export holds: its own bytes, and what it unpacks to where it is compressed."""
    data = path.read_bytes()
    yield data
    try:
        if data[:2] == b"\x1f\x8b":
            with gzip.GzipFile(fileobj=io.BytesIO(data)) as stream:
                yield stream.read(_LARGEST_BYTES)
        elif data[:4] == b"PK\x03\x04":
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                for item in archive.infolist():
                    if item.file_size <= _LARGEST_BYTES:
                        yield archive.read(item)
    except (OSError, EOFError, zipfile.BadZipFile, RuntimeError):
        return


def _against_store(members: Mapping[str, bytes], data: bytes, site: Site) -> Iterator[Finding]:
    manifest: dict[str, Any] = json.loads(members[MANIFEST])
    told = manifest["made_from"]
    try:
        snapshot = Ledger.open(site.store).snapshot(str(told["store_version"]), site.zone)
        if snapshot.row is None or snapshot.row.chain_sha256 != told["chain_sha256"]:
            yield Finding(
                "error",
                "the store",
                f"its version {told['store_version']} is not the one that the packet was made from",
            )
            return
        declared = site_as_published(site, snapshot)
        again, _ = make_packet(declared, snapshot, Asked.from_json(manifest["asked"]))
    except (DripledgerError, KeyError, ValueError, TypeError) as error:
        yield Finding("error", "the store", f"the packet cannot be made again: {error}")
        return
    if again == data:
        return
    other_code = told["code_version"] != __version__
    made = unpack(again)
    for name in sorted(set(made) | set(members)):
        if made.get(name) == members.get(name):
            continue
        if other_code and name != "trace.json":
            yield Finding(
                "note", name, f"differs; version {told['code_version']} made it, and this is {__version__}"
            )
        elif other_code and _without_stamp(made.get(name)) == _without_stamp(members.get(name)):
            continue
        else:
            yield Finding("error", name, "is not what the store gives")


def _without_stamp(text: bytes | None) -> Any:
    """Return ``trace.json`` without what it was made by, to compare two versions of the program."""
    if text is None:
        return None
    document = json.loads(text)
    document.pop("stamp", None)
    return document


def read_packet(path: Path) -> bytes:
    """Return a packet's bytes.

    Raises
    ------
    VerificationError
        If the file cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise VerificationError(f"cannot be read: {error.strerror}", where=path) from None
