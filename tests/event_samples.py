"""Small sites for tests of the ingest: a mapping, some files, and what stands in the store afterwards."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from dripledger.events import IngestResult, ingest
from dripledger.site import Site, load_site
from dripledger.store import Ledger
from dripledger.store.snapshot import ALL_TABLES
from tests.database import connection

SITE = 'format = 1\nfacility = "Harbour Hill"\ntime_zone = "Europe/Lisbon"\n'

#: A delimited source with reliable sequence numbers and local times.
WARDS = """
pattern = ["wards*.csv"]
shape = "delimited"
records = ["all"]
sequence_reliable = true
[time]
zone = "site"
[fields]
pump_id = "Device"
device_time = "Time"
sequence = "Seq"
kind = "Event"
care_area = "Area"
entry = "Drug"
rate_ml_h = { field = "Rate", unit = "mL/h" }
weight_kg = "Weight"
[kinds]
START = "infusion_started"
RATE = { kind = "rate_changed", set = { initiator = "user" } }
STOP = "infusion_stopped"
SWITCH = ["library_bypassed", "infusion_started"]
BEAT = { ignore = "sign of life, carries no event" }
"""
HEADER = "Device,Time,Seq,Event,Area,Drug,Rate,Weight\n"

#: Columns that say where a record came from, not what happened.
LINEAGE = ("source_file_sha256", "source_record", "ingest_id")


def make_site(root: Path, sources: dict[str, str] | None = None, extra: str = "", **files: str) -> Site:
    """Make a site folder.

    `sources` maps a mapping's name to its TOML (default: `WARDS`); `extra` goes into site.toml; other
    keywords are lists such as ``clocks="pump,from,offset_s\\n..."``.
    """
    for folder in ("sources", "inbox", "libraries"):
        (root / folder).mkdir(parents=True, exist_ok=True)
    (root / "site.toml").write_text(SITE + extra, encoding="utf-8")
    for name, text in (sources or {"wards": WARDS}).items():
        (root / "sources" / f"{name}.toml").write_text(text, encoding="utf-8")
    for name, text in files.items():
        (root / f"{name}.csv").write_text(text, encoding="utf-8")
    return load_site(root)


def drop(site: Site, name: str, data: str | bytes) -> Path:
    """Put a file into the inbox."""
    path = site.inbox / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data.encode("utf-8") if isinstance(data, str) else data)
    return path


def read(site: Site, *paths: Path) -> IngestResult:
    """Ingest without building derived tables."""
    return ingest(load_site(site.root), paths, build=False)


def rows(site: Site, sql: str) -> list[tuple[object, ...]]:
    """Query the newest version of the store."""
    con = connection()
    try:
        # those it names: to look into every table takes longer than most queries do
        Ledger.open(site.store).snapshot().attach(con, [name for name in ALL_TABLES if name in sql])
        return con.execute(sql).fetchall()
    finally:
        con.close()


def events(site: Site, columns: Sequence[str] | None = None) -> list[tuple[object, ...]]:
    """Return the events without lineage (or some columns), sorted."""
    picked = f"* exclude ({', '.join(LINEAGE)})" if columns is None else ", ".join(columns)
    return rows(site, f"select {picked} from events order by event_id")


def waiting(site: Site) -> list[tuple[object, ...]]:
    """Return what waits, without lineage, sorted."""
    return rows(
        site,
        "select source_name, record_md5, reasons, explanation, fields_json, pump_id, sequence, device_time "
        "from quarantined order by record_md5, source_name",
    )
