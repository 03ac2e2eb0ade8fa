"""What one writing run works with: connection, staging folder, writer, mappings and lists."""

from __future__ import annotations

import contextlib
import hashlib
import itertools
from collections.abc import Callable, Iterator, Sequence
from collections.abc import Mapping as Map
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import duckdb

from dripledger.engine import connect
from dripledger.errors import ConfigurationError
from dripledger.events.account import Account
from dripledger.events.identity import ledger_key
from dripledger.events.lists import SiteLists, register_lists
from dripledger.events.precedence import check_precedence, counting_events, seen_numbers
from dripledger.events.space import need_room
from dripledger.events.translate import translate
from dripledger.events.translation import Translation
from dripledger.site import Site
from dripledger.sources import originals
from dripledger.sources.mapping import Mapping, mapping_file
from dripledger.sources.parts import UNKNOWN_PUMP
from dripledger.sources.personal import Pseudonyms, fingerprint, fingerprint_file, load_key, need_key
from dripledger.sources.staging import SourceFile, StagingRoom, stage
from dripledger.store import (
    INFUSION_RULES,
    LOOKUP_FILES,
    NOT_BUILT,
    Ledger,
    Snapshot,
    Writer,
    program_differs,
    refuse_other_facility,
    spill_folder,
)
from dripledger.store.layout import write_whole

#: Memory for the engine while records are read and compared. It takes up to a third more than it is told, and
#: an ingest of any size is to stay below 1.5 GiB with Python and Arrow.
_READING_BYTES: Final = 900_000_000
#: The same while events are written: rows of many months wait in Arrow's memory for their row groups.
_WRITING_BYTES: Final = 650_000_000
#: The same while infusions are built of them.
_BUILDING_BYTES: Final = 1_200_000_000


@dataclass
class Run:
    """What one ingest works with."""

    site: Site
    con: duckdb.DuckDBPyConnection
    folder: Path
    writer: Writer
    mappings: Map[str, Mapping]
    lists: SiteLists
    names: itertools.count[int] = field(default_factory=itertools.count)
    tell: Callable[[str], None] = lambda _: None
    pseudonyms: list[Pseudonyms] = field(default_factory=list)

    def begin_writing(self) -> None:
        """Tell of the step, and hold the engine to less until `conclude`."""
        self.tell("write events")
        self.hold_engine_to(_WRITING_BYTES)

    def hold_engine_to(self, memory_bytes: int) -> None:
        """Let the engine use so much memory from here on; what it holds beyond goes to the spill folder."""
        self.con.execute(f"set memory_limit = '{memory_bytes}B'")

    def room(self, source: str) -> StagingRoom:
        """Return the staging room of one source."""
        mapping = self.mappings[source]
        pseudonyms = None
        if mapping.keyed_fields or mapping.pseudonym_fields:
            keyed = mapping.keyed_fields
            key = need_key(self.site, source, keyed) if keyed else load_key(self.site)
            pseudonyms = Pseudonyms(key)
            pseudonyms.register(self.con)
            self.pseudonyms.append(pseudonyms)
        return StagingRoom(self.con, self.folder, pseudonyms, lambda: f"stage{next(self.names)}")

    def staged(
        self,
        prefix: str,
        source: str,
        files: Sequence[SourceFile],
        only: Map[int, Sequence[int]] | None = None,
    ) -> Translation:
        """Stage files of one source and make its relations."""
        mapping = self.mappings[source]
        staged = stage(self.room(source), mapping, files, only)
        return translate(self.con, prefix, mapping, staged, self.site, self.lists)

    def base_has(self, table: str) -> bool:
        """Whether the ledger holds rows of a table."""
        return bool(self.writer.base.files(table))


def _keep_fingerprint(run: Run) -> None:
    """Write down which key the store is written with, once some value was keyed."""
    path = fingerprint_file(run.site)
    key = load_key(run.site) if any(p.used for p in run.pseudonyms) else None
    if key is not None and not path.exists():
        write_whole(path, f"{fingerprint(key)}\n".encode())


def refuse_assumptions(site: Site, mapping: Mapping) -> None:
    """Refuse a drafted mapping while it still assumes something that a person has to decide."""
    if mapping.assumed:
        raise ConfigurationError(
            f"this mapping was drafted and still assumes: {'; '.join(mapping.assumed)}",
            where=mapping_file(site, mapping.name),
            do="Check each assumption and take it out of 'assumed'",
        )
    tables = (mapping.fields, *(rule.fields for rule in mapping.events))
    if any(table["pump_id"].value == UNKNOWN_PUMP for table in tables if "pump_id" in table):
        # all pumps of the source would be one, and infusions made of several pumps' events
        raise ConfigurationError(
            f"fields.pump_id is still {UNKNOWN_PUMP!r}, as a draft leaves it where no column names the pump",
            where=mapping_file(site, mapping.name),
            do="Write the field that names it; where the log is that of a single pump, the pump's own name: "
            'pump_id = { value = "..." }',
        )


@contextlib.contextmanager
def open_run(
    site: Site,
    mappings: Map[str, Mapping],
    wait_s: float,
    progress: Callable[[str], None] | None,
) -> Iterator[Run]:
    """Hold the store's lock and open everything that a writing run needs."""
    check_precedence(site, mappings)
    need_room(site)
    ledger = Ledger.open_or_create(site.store)
    with ledger.write(wait_s) as writer, spill_folder(site.store, "ingest") as spill:
        if spill is None:
            raise ConfigurationError("the store cannot be written to", where=site.store)
        folder = spill / "staging"
        con = connect(spill / "engine", memory_limit_bytes=_READING_BYTES)
        try:
            refuse_other_facility(con, writer.base, site.settings.facility)
            originals.private_folder(folder)
            originals.clear_partial(site.originals)
            run = Run(site, con, folder, writer, mappings, register_lists(con, site))
            if progress is not None:
                run.tell = progress
            yield run
            if writer.committed:
                _keep_fingerprint(run)
        finally:
            con.close()


def known_events(run: Run, account: Account, changed: int) -> str | None:
    """Make the relation of the ledger's events that the new ones could meet."""
    months = account.months() if account.files else []
    present = set(run.writer.base.partitions("events")) if run.base_has("events") else set()
    wanted = sorted(present & set(months))
    if not account.files or (not wanted and not changed):
        return None
    listed = ", ".join(f"'{m}'" for m in wanted) or "''"
    key = ledger_key(name for name, m in run.mappings.items() if m.identity is not None)
    run.con.execute(
        f"create or replace temp view known_events as select event_id, values_digest, {key} as h "
        f"from base_events where month in ({listed}) and event_id not in (select event_id from run_replaced) "
        f"union all select event_id, values_digest, {key} as h from run_changed"
    )
    return "known_events"


def derived_are_built(snapshot: Snapshot) -> bool:
    """Whether segments and infusions follow from the events of a store version."""
    return snapshot.row is None or snapshot.row.note != NOT_BUILT


def why_rebuild(site: Site, snapshot: Snapshot) -> str:
    """Say why the next ingest builds infusions for all pumps, not only for those that it touches.

    Returns
    -------
    str
        They were left unbuilt, or built by other settings or other rules of the program. Empty: nothing of
        that.
    """
    row = snapshot.row
    if row is None:
        return ""
    if row.note == NOT_BUILT:
        return "they were left unbuilt"
    kept = row.declarations.get(INFUSION_RULES)
    if kept is None:
        return "by which rules of the program they were built is not written down"
    rules = rules_of(site)
    if kept == hashlib.sha256(rules.encode()).hexdigest():
        return ""
    text = snapshot.root / "declarations" / kept
    is_kept = site_differs(site, snapshot) and text.is_file()
    if is_kept and not program_differs(text.read_text(encoding="utf-8"), rules):
        return "settings in site.toml that they rest on are others"
    return "the program that built them did so by other rules than this one"


def site_differs(site: Site, snapshot: Snapshot) -> bool:
    """Whether `site.toml` is another than a store version keeps: reports of the next one go by it."""
    content = hashlib.sha256((site.root / "site.toml").read_bytes()).hexdigest()
    return snapshot.row is not None and snapshot.row.declarations.get("site.toml") != content


def rebuild_notes(run: Run, build: bool) -> list[str]:
    """Say that this run builds the infusions of all pumps, and why; nothing where it does not."""
    why = why_rebuild(run.site, run.writer.base) if build else ""
    return [f"all infusions are built again: {why}"] if why else []


def rules_of(site: Site) -> str:
    """Return what infusions of a site are built by; see `infusions.rules_text`."""
    from dripledger.infusions import rules_text

    rules = site.settings.precedence
    counting = f"{counting_events(rules, 'events')}\n{seen_numbers(rules, 'events', 'ignored')}"
    return rules_text(site.settings, {"events that count": counting})


def conclude(run: Run, ingest_id: str, build: bool, note: str = "") -> int:
    """Build what follows from the events, unless it is left for later, and commit; return the version."""
    run.hold_engine_to(_BUILDING_BYTES)
    if build:
        run.tell("build infusions")
        build_derived(run, ingest_id, bool(why_rebuild(run.site, run.writer.base)))
    run.tell("commit")
    return run.writer.commit(
        ingest_id=ingest_id,
        declarations=run.site.declaration_files(),
        note=note if build else NOT_BUILT,
        texts={INFUSION_RULES: rules_of(run.site), **_lookup_files(run)},
    )


def _lookup_files(run: Run) -> dict[str, str]:
    """Return the digests of the lookup files, as a text that a commit keeps; nothing where there is none."""
    files = sorted({lookup.file for m in run.mappings.values() for lookup in m.lookups.values()})
    lines = [
        f"{hashlib.sha256((run.site.sources / file).read_bytes()).hexdigest()}  sources/{file}\n"
        for file in files
    ]
    return {LOOKUP_FILES: "".join(lines)} if lines else {}


def build_derived(run: Run, ingest_id: str, everything: bool) -> None:
    """Bring segments and infusions up to date for what was touched, in this same commit."""
    from dripledger import infusions

    rules = run.site.settings.precedence
    now = run.writer.current()
    now.attach(run.con, ["quarantined", "segments", "infusions"])
    now.attach(run.con, ["events", "ignored"], "all_")
    run.con.execute(f"create or replace temp view events as {counting_events(rules, 'all_events')}")
    run.con.execute(
        f"create or replace temp view ignored as {seen_numbers(rules, 'all_events', 'all_ignored')}"
    )
    which = "true" if everything else f"ingest_id = '{ingest_id}'"
    run.con.execute(
        "create or replace temp table touched as select facility, pump_id, "
        # null where one is: all of that pump may be another
        "case when count(*) = count(moment) then min(moment) end as first_touched_at from ("
        f"select facility, pump_id, occurred_at as moment from all_events where {which} "
        f"union all select facility, pump_id, occurred_at from all_ignored where {which} "
        "union all select facility, pump_id, occurred_at from run_touched "
        "union all select facility, pump_id, device_time at time zone 'UTC' - interval 1 day from "
        "quarantined "
        f"where {which} and pump_id is not null and device_time is not null) group by facility, pump_id"
    )
    infusions.update(run.writer, run.con, run.site.settings, "touched")
