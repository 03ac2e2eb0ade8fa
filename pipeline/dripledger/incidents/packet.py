"""The packet: all about one trace in one canonical zip; the same store version gives the same bytes."""

from __future__ import annotations

import csv
import hashlib
import io
import textwrap
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from dripledger.errors import UsageError, VerificationError
from dripledger.events.evidence import Evidence, records_as_written
from dripledger.incidents.case import Case
from dripledger.incidents.model import Trace
from dripledger.incidents.rendering import render_files
from dripledger.incidents.tables import as_json
from dripledger.incidents.tracing import Asked, trace_case
from dripledger.incidents.zips import pack
from dripledger.site import Site
from dripledger.store import INFUSION_RULES, LOOKUP_FILES, Snapshot
from dripledger.store.layout import write_whole

FORMAT: Final = 1
MANIFEST: Final = "manifest.json"
DIGEST: Final = "manifest.sha256"
RECORDS: Final = "records.csv"
_RECORD_COLUMNS: Final = (
    "file_sha256", "source", "record", "byte_offset", "byte_length", "encoding", "member", "member_offset",
    "overwritten", "note",
)  # fmt: skip
#: Declarations that a packet carries whole. Lookup tables stay out: they may say who somebody is.
_LISTS: Final = (
    "site.toml", "clocks.csv", "service.csv", "pumps.csv", "entries.csv", "changes.csv", INFUSION_RULES,
    LOOKUP_FILES,
)  # fmt: skip


def make_packet(site: Site, snapshot: Snapshot, asked: Asked) -> tuple[bytes, Trace]:
    """Make a packet.

    Parameters
    ----------
    site
        The site as it was declared when the version was committed.
    snapshot
        The version of its store.
    asked
        Pump and window.

    Returns
    -------
    tuple
        The packet's bytes; the trace.
    """
    trace, case = trace_case(site, snapshot, asked)
    zone = ZoneInfo(site.settings.time_zone)
    members = render_files(trace, zone)
    records = _records(site, snapshot, case)
    members |= _record_members(records)
    members["library.csv"] = _library(case)
    members |= _declarations(snapshot)
    members["README.txt"] = _readme(trace, records, members).encode("utf-8", "replace")
    manifest = {
        "format": FORMAT,
        "kind": "packet",
        "cautions": trace.cautions,
        "asked": asked.as_json(),
        "made_from": trace.as_json()["stamp"],
        "declarations": {} if snapshot.row is None else dict(sorted(snapshot.row.declarations.items())),
        "sources": _sources(case, records),
        "files": {
            name: {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
            for name, data in sorted(members.items())
        },
    }
    members[MANIFEST] = as_json(manifest)
    members[DIGEST] = digest_line(members[MANIFEST])
    return pack(members), trace


def digest_line(manifest: bytes) -> bytes:
    """Return the line that holds the manifest to its own bytes."""
    return f"{hashlib.sha256(manifest).hexdigest()}  {MANIFEST}\n".encode("ascii")


def write_packet(path: Path, data: bytes) -> None:
    """Put a packet in place, whole or not at all, for the owner alone.

    Raises
    ------
    UsageError
        If something stands there that is no packet.
    """
    if path.is_dir() or (path.exists() and not path.read_bytes()[:4] == b"PK\x03\x04"):
        raise UsageError("holds something that is no packet, and would be replaced", where=path,
                         do="Name another file with --out")  # fmt: skip
    if not path.absolute().parent.is_dir():
        raise UsageError(
            "there is no such folder", where=path.absolute().parent, do="Make it, or name another"
        )
    write_whole(path.absolute(), data)


def _records(site: Site, snapshot: Snapshot, case: Case) -> list[Evidence]:
    wanted: dict[tuple[str, str], list[int]] = {}
    for row in [*case.events, *case.aside, *case.unread]:
        key = (str(row["source_file_sha256"]), str(row["source_name"]))
        wanted.setdefault(key, []).append(int(row["source_record"]))
    return records_as_written(site, snapshot, wanted)


def _record_members(records: list[Evidence]) -> dict[str, bytes]:
    """Return the records, those of one file in one member with a line break after each, and their index."""
    members: dict[str, io.BytesIO] = {}
    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow(_RECORD_COLUMNS)
    for one in records:
        name = f"records/{one.sha256[:16]}_{one.source_name}.txt"
        out = members.setdefault(name, io.BytesIO())
        spans = " ".join(f"{a}-{b}" for a, b in one.overwritten)
        writer.writerow([
            one.sha256, one.source_name, one.record, "" if one.offset is None else one.offset,
            "" if one.length is None else one.length, one.codec, name, out.tell(), spans, one.note,
        ])  # fmt: skip
        out.write(one.data + b"\n")
    found = {name: out.getvalue() for name, out in members.items()}
    found[RECORDS] = table.getvalue().encode()
    return found


def read_records(members: Mapping[str, bytes]) -> list[dict[str, Any]]:
    """Read the index of records back, each with its ``data``.

    Raises
    ------
    VerificationError
        If the index is none.
    """
    try:
        rows = list(csv.DictReader(io.StringIO(members[RECORDS].decode("utf-8"))))
        found = []
        for row in rows:
            spans = [tuple(map(int, span.split("-"))) for span in row["overwritten"].split()]
            data = b""
            if row["encoding"]:
                start = int(row["member_offset"])
                end = members[row["member"]].index(b"\n", start) if row["encoding"] == "none" else (
                    start + int(row["byte_length"])
                )  # fmt: skip
                data = members[row["member"]][start:end]
            found.append({**row, "record": int(row["record"]), "overwritten": spans, "data": data})
    except (KeyError, ValueError, TypeError) as error:
        raise VerificationError(f"its list of records cannot be read ({error})", where=RECORDS) from None
    return found


def _library(case: Case) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    names = (
        "library_version", "library_published_at", "care_area", "entry", "concentration_value",
        "concentration_unit",
        "dosing_unit", "limit_quantity", "hard_low", "soft_low", "soft_high", "hard_high", "weight_min_kg",
        "weight_max_kg",
    )  # fmt: skip
    writer.writerow(names)
    for row in case.libraries:
        writer.writerow(["" if row[n] is None else row[n] for n in names])
    return out.getvalue().encode()


def _declarations(snapshot: Snapshot) -> dict[str, bytes]:
    found = {}
    for name, digest in () if snapshot.row is None else sorted(snapshot.row.declarations.items()):
        if name in _LISTS or (name.startswith("sources/") and name.endswith(".toml")):
            found[f"declarations/{name}"] = (snapshot.root / "declarations" / digest).read_bytes()
    return found


def _sources(case: Case, records: list[Evidence]) -> list[dict[str, Any]]:
    used = {(r.sha256, r.source_name) for r in records}
    return [
        {
            "file_sha256": row["source_file_sha256"], "source": row["source_name"], "path": row["path"],
            "mapping_sha256": row["mapping_sha256"],
        }
        for row in case.ingests
        if (row["source_file_sha256"], row["source_name"]) in used
    ]  # fmt: skip


#: What a packet may hold besides: the names of members, or of their folder; what they are.
_CONTENTS: Final = (
    (("timeline.html", "timeline.pdf"), "the timeline for people: the same words in both"),
    (("figure.svg",), "what ran, what was pumped, alarms and limit alerts on one axis of time"),
    (("figure_zoomed.svg",), "the same round the moment that was asked for"),
    (("timeline.csv", "trace.json"), "the same for programs"),
    (("findings.csv",), "the findings"),
    (("records.csv", "records/"), "the records behind it, as they were written"),
    (("library.csv",), "the rows of the drug library that were in force"),
    (("declarations/",), "the settings, mappings, lists and rules for infusions that it rests on"),
)


def _contents(members: Iterable[str]) -> str:
    """Return a line for each thing that is in a packet, and for no other."""
    here = {*members, *(f"{name.split('/')[0]}/" for name in members if "/" in name)}
    told = [
        (", ".join(name for name in names if name in here), what)
        for names, what in _CONTENTS
        if here.intersection(names)
    ]
    told += [
        (MANIFEST, "what was asked, what it was made from, the SHA-256 of every file"),
        (DIGEST, "the SHA-256 of the manifest"),
    ]
    return "\n".join(f"{names:<29} {what}" for names, what in told)


def _readme(trace: Trace, records: list[Evidence], members: Mapping[str, bytes]) -> str:
    stamp = trace.stamp
    lost = sum(not r.codec for r in records)
    cautions = "\n".join(f"- {text}" for text in trace.cautions)
    losses = f"\n{textwrap.fill(trace.loss_caution, 110)}" if trace.loss_caution else ""
    gone = f"Of {lost} of them the bytes are not there any more. " if lost else ""
    return f"""\
What pump {trace.pump_id} did: how this packet was made, and what it cannot show
================================================================================

{cautions}

What is in it
-------------
{_contents(members)}

Records behind it: {len(records)}. {gone}In each record, every byte that may be personal is overwritten
with '#': fields that the mapping marks as personal, and fields that no mapping reads, because nobody has said
what they hold. records.csv says for each record in which file it stands (SHA-256), its number, byte offset
and length there, and which bytes were overwritten.

How it was made
---------------
From version {stamp.store_version} of the store of {stamp.facility}, committed {stamp.committed_at},
by version {stamp.code_version} of the program. Records became events by the mapping in declarations/;
events became infusions by fixed rules; volume is rate x time, drug is volume x concentration. Nothing was
typed by hand.
The same store version, question and program give the same bytes.

How to check it
---------------
dripledger verify PACKET.zip                      any changed, missing or added byte is found
dripledger verify PACKET.zip --original EXPORT    the records are those of that export
dripledger --site SITE verify PACKET.zip          the whole packet is made again from the store and compared

Somebody who rewrites the packet together with its manifest makes another sound packet: only the store (or the
export) can tell. Keep the packet's own SHA-256 elsewhere if you must be able to show that it is the one
you made.

What it cannot show
-------------------
What reached the vein; what a log does not write (the timeline lists it); what records that are missing said;
who did something, and why. Times are by the pump's clock, as far as it was corrected.{losses}
"""
