"""`map try`: a mapping run over one export as an ingest would, and nothing kept of it.

The packed copy that a reader goes back to lies in memory, where the system can give such a place: an export
holds names, and nobody should find them in a folder for temporary files.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import secrets
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

import duckdb
import pyarrow as pa

from dripledger.engine import connect
from dripledger.errors import ConfigurationError, InputError, UsageError
from dripledger.events.account import Account
from dripledger.events.checks import SENTENCES
from dripledger.events.final import events_select, quarantined_select
from dripledger.events.lists import register_lists
from dripledger.events.translate import translate
from dripledger.site import Site
from dripledger.sources.mapping import Mapping, load_mapping
from dripledger.sources.one_pass import one_pass
from dripledger.sources.opening import Inbound, is_packed, is_zip, members_of, opened
from dripledger.sources.originals import FRAME_BYTES, Original
from dripledger.sources.personal import Pseudonyms
from dripledger.sources.staging import SourceFile, StagingRoom, reading_of, stage

#: How many events and records are shown.
FIRST_EVENTS: Final = 20
WORST_RECORDS: Final = 3
_HIDDEN: Final = "[personal]"
_SHOWN: Final = (
    "source_record", "device_time", "occurred_at", "pump_id", "channel", "sequence", "kind", "kind_logged",
    "care_area", "care_area_logged", "entry", "entry_logged", "library_use", "rate_ml_h", "dose_value",
    "dose_unit", "concentration_value", "concentration_unit", "weight_kg", "volume_to_infuse_ml",
    "volume_delivered_ml", "limit_kind", "limit_side", "limit_value", "entered_value", "limit_unit",
    "alarm_kind", "alarm_label", "implausible", "unmapped",
)  # fmt: skip
#: What can be unmapped: its word in `unmapped`, and the column with the label as logged.
_LABELS: Final = {
    "kind": "kind_logged",
    "entry": "entry_logged",
    "care_area": "care_area_logged",
    "alarm": "alarm_label",
}


@dataclass(frozen=True)
class Trial:
    """What a mapping would make of an export.

    Parameters
    ----------
    assumed
        What the mapping assumes and nobody has confirmed.
    counts
        Records and events by their fate, as in the ledger balance.
    events
        The first events, those columns that hold something.
    waiting
        ``reason``, ``records``, ``means``: what would wait, by reason.
    labels
        ``what``, ``label``, ``events``: labels that nobody has filed.
    worst
        ``source_record``, ``reasons``, ``explanation``, ``fields``: the records with most reasons.
    notes
        What a person should know.
    """

    assumed: tuple[str, ...]
    counts: dict[str, int]
    events: pa.Table
    waiting: pa.Table
    labels: pa.Table
    worst: pa.Table
    notes: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Return it as one document, what is assumed first."""
        return {
            "assumed": list(self.assumed),
            **self.counts,
            "first_events": self.events.to_pylist(),
            "waiting": self.waiting.to_pylist(),
            "unmapped": self.labels.to_pylist(),
            "worst_records": self.worst.to_pylist(),
            "notes": list(self.notes),
        }


def try_mapping(site: Site, mapping_path: Path, path: Path) -> Trial:
    """Run a mapping over one export and keep nothing.

    Parameters
    ----------
    site
        Gives zone, limits and lists; nothing in its folder is written.
    mapping_path
        The mapping.
    path
        The export: a file, or a zip of which every file is read.

    Raises
    ------
    ConfigurationError
        If the mapping is wrong.
    UsageError
        If there is no such file.
    InputError
        If the export cannot be read at all.
    """
    mapping = load_mapping(mapping_path)
    for name, lookup in mapping.lookups.items():
        if not (site.sources / lookup.file).is_file():
            raise ConfigurationError(
                f"lookups.{name}.file: there is no file {lookup.file!r} below sources", where=mapping_path
            )
    if not path.is_file():
        what = "is no regular file" if path.exists() else "there is no such file"
        raise UsageError(what, where=path, do="Name one export")
    with tempfile.TemporaryDirectory(prefix="dripledger-try-") as made, contextlib.ExitStack() as stack:
        folder = Path(made)
        files = _files(stack, folder, mapping, site, path)
        with connect(folder / "engine") as con:
            return _run(con, folder, site, mapping, files)


def _files(
    stack: contextlib.ExitStack, folder: Path, mapping: Mapping, site: Site, path: Path
) -> list[SourceFile]:
    limits = site.settings.limits
    inbounds = [Inbound(path)]
    if is_zip(path):
        inbounds = [Inbound(path, member) for member in members_of(path, limits)]
        if not inbounds:
            raise InputError("holds no file", where=path, do="Pack it again")
    files = []
    for number, inbound in enumerate(inbounds):
        shown = path.name if inbound.member is None else f"{path.name}/{inbound.member}"
        out, place = _copy(stack, folder / f"packed{number}")
        reading = reading_of(mapping, limits)
        try:
            with opened(inbound, shown, limits) as read:
                told = one_pass(read, out.write, reading, FRAME_BYTES)
        except InputError as error:
            error.where = error.where or str(path)
            raise
        except OSError as error:
            raise InputError(
                f"cannot be read: {error.strerror}", where=path, do="Check its permissions"
            ) from None
        out.flush()
        original = Original(
            told.sha256, told.size_bytes, told.records, told.body_offset, told.header, tuple(told.frames),
            told.bad_utf8_record, told.padded, place, told.encoding, reading.splitter.furniture,
            tuple(told.notes),
        )  # fmt: skip
        files.append(SourceFile(number, path.resolve(), shown, original, packed=is_packed(inbound)))
    return files


def _copy(stack: contextlib.ExitStack, fallback: Path) -> tuple[BinaryIO, Path]:
    """Open the place of a packed copy: in memory, else in a private folder that is removed afterwards."""
    if hasattr(os, "memfd_create") and Path("/proc/self/fd").is_dir():
        handle = os.memfd_create("packed")
        return stack.enter_context(os.fdopen(handle, "wb")), Path(f"/proc/self/fd/{handle}")
    handle = os.open(fallback, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    return stack.enter_context(os.fdopen(handle, "wb")), fallback


def _run(
    con: duckdb.DuckDBPyConnection, folder: Path, site: Site, mapping: Mapping, files: list[SourceFile]
) -> Trial:
    lists = register_lists(con, site)
    # pseudonyms are made so that what is compared is what an ingest would compare; none of them is shown
    pseudonyms = Pseudonyms(secrets.token_bytes(32))
    pseudonyms.register(con)
    names = itertools.count()
    room = StagingRoom(con, folder, pseudonyms, lambda: f"stage{next(names)}")
    staged = stage(room, mapping, files)
    for number in sorted(staged.failures):
        raise staged.failures[number]
    told = translate(con, "t", mapping, staged, site, lists)
    account = Account(con, "new")
    account.open()
    account.add(0, told, files)
    account.compare(None)
    account.waiting_bytes(None)
    balance = account.balance()
    counts = {name: sum(c[name] for c in balance.values()) for name in next(iter(balance.values()))}
    con.execute(
        "create or replace temp table new_settled "
        "(file_no integer, record bigint, place bigint, settled_at timestamptz, quality varchar)"
    )
    con.execute(f"create or replace temp view first_events as {events_select(con, account, 0, lists, '')}")
    notes = [f"{f.shown}: {note}" for f in files for note in f.original.notes]
    notes += [f"{f.shown}: holds no record" for f in files if not f.original.records]
    return Trial(
        mapping.assumed,
        counts,
        _first_events(con),
        _waiting(con),
        _labels(con),
        _worst(con, account, mapping),
        tuple(notes),
    )


def _first_events(con: duckdb.DuckDBPyConnection) -> pa.Table:
    columns = ", ".join(f'"{name}"' for name in _SHOWN)
    # lineage and place make the order total
    table = con.sql(
        f"select {columns} from first_events order by source_file_sha256, source_record, record_place, "
        f"event_id limit {FIRST_EVENTS}"
    ).to_arrow_table()
    kept = [
        name
        for name in table.column_names
        if any(value not in (None, []) for value in table.column(name).to_pylist())
    ]
    return table.select(kept or ["source_record"])


def _waiting(con: duckdb.DuckDBPyConnection) -> pa.Table:
    rows = con.execute(
        "select reason, count(*) from (select distinct file_no, record, reason from new_waiting) "
        "group by reason order by 2 desc, 1"
    ).fetchall()
    return pa.table({
        "reason": pa.array([r[0] for r in rows], pa.string()),
        "records": pa.array([r[1] for r in rows], pa.int64()),
        "means": pa.array([SENTENCES[r[0]] for r in rows], pa.string()),
    })  # fmt: skip


def _labels(con: duckdb.DuckDBPyConnection) -> pa.Table:
    parts = [
        f"select '{what}' as what, {column} as label, count(*) as events from told "
        f"where list_contains(unmapped, '{what}') group by {column}"
        for what, column in _LABELS.items()
    ]
    # the events are made once for all kinds of labels: a union of views would make them anew for each
    told = f"select unmapped, {', '.join(_LABELS.values())} from first_events where len(unmapped) > 0"
    rows = con.execute(
        f"with told as materialized ({told}) select what, label, events from ({' union all '.join(parts)}) "
        "order by what, events desc, label"
    ).fetchall()
    return pa.table({
        "what": pa.array([r[0] for r in rows], pa.string()),
        "label": pa.array([r[1] for r in rows], pa.string()),
        "events": pa.array([r[2] for r in rows], pa.int64()),
    })  # fmt: skip


def _worst(con: duckdb.DuckDBPyConnection, account: Account, mapping: Mapping) -> pa.Table:
    rows = con.execute(
        "select source_record, reasons, explanation, byte_offset, byte_length, fields_json "
        f"from ({quarantined_select(account, 0, '')}) order by len(reasons) desc, source_file_sha256, "
        f"source_record limit {WORST_RECORDS}"
    ).fetchall()
    hidden = mapping.keyed_fields | mapping.pseudonym_fields
    return pa.table({
        "source_record": pa.array([r[0] for r in rows], pa.int64()),
        "reasons": pa.array([", ".join(r[1]) for r in rows], pa.string()),
        "explanation": pa.array([r[2] for r in rows], pa.string()),
        "byte_offset": pa.array([r[3] for r in rows], pa.int64()),
        "byte_length": pa.array([r[4] for r in rows], pa.int64()),
        "fields": pa.array([_masked(r[5], hidden) for r in rows], pa.string()),
    })  # fmt: skip


def _masked(text: str | None, hidden: frozenset[str]) -> str | None:
    """Return the fields of a record with those about people hidden; None: it could not be split."""
    if text is None:
        return None

    def one(fields: dict[str, Any]) -> dict[str, Any]:
        return {k: _HIDDEN if k in hidden and v is not None else v for k, v in fields.items()}

    told = json.loads(text)
    return json.dumps([one(f) for f in told] if isinstance(told, list) else one(told), ensure_ascii=False)
