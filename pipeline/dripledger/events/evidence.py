"""The records behind some events, as they were written, with what may be personal overwritten."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping as Map
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path, PurePosixPath

from dripledger.errors import ConfigurationError, InputError
from dripledger.site import Site
from dripledger.sources.mapping import Mapping, load_mapping
from dripledger.sources.originals import Original, open_original, read_frame, read_records
from dripledger.sources.overwrite import Ranges, hidden_ranges, overwrite
from dripledger.sources.staging import splitter_of
from dripledger.store import Snapshot


@dataclass(frozen=True)
class Evidence:
    """One record.

    Parameters
    ----------
    sha256
        Hash of the file that it came in; of a compressed file, of what that unpacks to.
    source_name
        The mapping that read it.
    record
        Its number in the file, from 1.
    offset, length
        Its place in the file, bytes.
    codec
        The file's encoding; ``"none"``: a workbook, whose row is shown as the text of its cells.
    data
        Its bytes, with what may be personal overwritten; empty where the original is not there.
    overwritten
        Byte ranges of `data` that were overwritten.
    note
        What a person should know of it.
    """

    sha256: str
    source_name: str
    record: int
    offset: int | None
    length: int | None
    codec: str
    data: bytes
    overwritten: tuple[tuple[int, int], ...]
    note: str = ""


def mappings_of(snapshot: Snapshot) -> dict[str, Mapping]:
    """Return the mappings as they were declared when a version was committed: name -> mapping."""
    found: dict[str, Mapping] = {}
    if snapshot.row is None:
        return found
    with tempfile.TemporaryDirectory(prefix="dripledger-") as folder:
        for name, digest in sorted(snapshot.row.declarations.items()):
            path = PurePosixPath(name)
            if path.parent.as_posix() != "sources" or path.suffix != ".toml":
                continue
            copy = Path(folder) / path.name
            copy.write_bytes((snapshot.root / "declarations" / digest).read_bytes())
            try:
                mapping = load_mapping(copy)
            except ConfigurationError:
                continue  # another version of this program wrote it: nothing of its records is shown
            found[mapping.name] = mapping
    return found


def records_as_written(
    site: Site, snapshot: Snapshot, wanted: Map[tuple[str, str], Sequence[int]]
) -> list[Evidence]:
    """Return records as they were written.

    Parameters
    ----------
    site
        Its originals are read.
    snapshot
        Its declarations say what may be shown.
    wanted
        (hash of the file, name of the source) -> numbers of records.

    Returns
    -------
    list of Evidence
        In the order of files and records. A record whose original is gone stands there without its bytes.
    """
    mappings = mappings_of(snapshot)
    found: list[Evidence] = []
    for (sha256, source), numbers in sorted(wanted.items()):
        numbers = sorted(set(numbers))
        try:
            original = open_original(site.originals, sha256)
        except (InputError, OSError):
            found += [_without(sha256, source, n, "the original is not there") for n in numbers]
            continue
        mapping = mappings.get(source)
        if mapping is None:
            found += [_without(sha256, source, n, "its mapping is not known") for n in numbers]
            continue
        found += _read(site, original, mapping, numbers)
    return found


def _without(sha256: str, source: str, number: int, note: str) -> Evidence:
    return Evidence(sha256, source, number, None, None, "", b"", (), note)


def _read(site: Site, original: Original, mapping: Mapping, numbers: Sequence[int]) -> list[Evidence]:
    splitter = splitter_of(mapping, site.settings.limits)

    @lru_cache(maxsize=2)
    def frame_at(place: int) -> bytes:
        return read_frame(original, original.frames[place])

    out = []
    for stretch in read_records(original, splitter, numbers):
        data, note = stretch.data, ""
        ranges: Ranges = [(0, len(data))]
        if stretch.fields is None:
            note = "it cannot be taken apart, so all of it is overwritten"
        else:
            ranges = hidden_ranges(mapping, original.header or splitter.header, data)
        raw, spans = overwrite(data, ranges, original.encoding)
        if original.encoding != "none":
            written = _as_it_lies(original, frame_at, stretch.offset, stretch.length)
            if not same_but_for(written, raw, spans):
                # its text cannot be turned back into its bytes: nothing of it is shown
                raw, spans = b"#" * len(written), [(0, len(written))]
                note = "its bytes are no proper text, so all of it is overwritten"
        else:
            note = "the text of the row's cells; offset and length are those of the row in its unpacked part"
        out.append(
            Evidence(
                original.sha256, mapping.name, stretch.number, stretch.offset, stretch.length,
                original.encoding, raw, tuple(spans), note,
            )
        )  # fmt: skip
    return out


def _as_it_lies(original: Original, frame_at, offset: int, length: int) -> bytes:  # type: ignore[no-untyped-def]
    for place, frame in enumerate(original.frames):
        if frame.offset <= offset < frame.offset + frame.length:
            start = offset - frame.offset
            return bytes(frame_at(place)[start : start + length])
    return b""


def same_but_for(written: bytes, shown: bytes, overwritten: Sequence[Sequence[int]]) -> bool:
    """Whether a record in its file is the one shown, but for the ranges that were overwritten."""
    if len(written) != len(shown):
        return False
    a, b = bytearray(written), bytearray(shown)
    for start, end in overwritten:
        a[start:end] = b[start:end] = b"#" * (end - start)
    return a == b
