"""The lists that a person keeps, as small tables: care areas, entries, pumps, clocks, service."""

from __future__ import annotations

import csv
import itertools
from dataclasses import dataclass
from datetime import UTC, datetime

import duckdb
import pyarrow as pa

from dripledger.errors import ConfigurationError
from dripledger.schema.codes import PUMP_TYPES
from dripledger.site import Site, spellings
from dripledger.sources.mapping import Mapping

_FIRST = datetime(1, 1, 1)
_LAST = datetime(9999, 12, 31)


@dataclass(frozen=True)
class SiteLists:
    """Which lists stand in the connection, and the spellings that care areas and entries go by.

    Parameters
    ----------
    care_areas, entries
        Folded spelling -> canonical name; None where the site declares none.
    pumps, clocks, service
        Whether the tables `site_pumps`, `site_clocks`, `site_service` hold rows.
    """

    care_areas: dict[str, str] | None
    entries: dict[str, str] | None
    pumps: bool
    clocks: bool
    service: bool


def register_lists(con: duckdb.DuckDBPyConnection, site: Site) -> SiteLists:
    """Make `site_pumps`, `site_clocks`, `site_service` and return what is known of the rest.

    Raises
    ------
    ConfigurationError
        If a spelling means two things, a pump is listed twice, or rows of one pump overlap.
    """
    areas, entries = spellings(site)
    _pumps(con, site)
    _clocks(con, site)
    _service(con, site)
    return SiteLists(areas, entries, bool(site.pumps), bool(site.clocks), bool(site.service))


def _fill(con: duckdb.DuckDBPyConnection, table: str, columns: str, rows: list[list[object]]) -> None:
    con.execute(f"create or replace temp table {table} ({columns})")
    if rows:
        con.executemany(f"insert into {table} values ({', '.join('?' * len(rows[0]))})", rows)


def _pumps(con: duckdb.DuckDBPyConnection, site: Site) -> None:
    rows: list[list[object]] = []
    seen: set[str] = set()
    for row in site.pumps or ():
        if row.pump in seen:
            raise ConfigurationError(f"the pump {row.pump!r} is listed twice", where=site.root / "pumps.csv")
        seen.add(row.pump)
        kind = row.type if row.type is None or row.type in PUMP_TYPES else "other"
        rows.append([row.pump, row.model, kind])
    _fill(con, "site_pumps", "pump varchar, pump_model varchar, pump_type varchar", rows)


def _clocks(con: duckdb.DuckDBPyConnection, site: Site) -> None:
    by_pump: dict[str, list[tuple[datetime, float]]] = {}
    for row in site.clocks:
        by_pump.setdefault(row.pump, []).append((row.from_clock or _FIRST, row.offset_s))
    rows: list[list[object]] = []
    for pump, steps in sorted(by_pump.items()):
        steps.sort()
        ends = [start for start, _ in steps[1:]] + [_LAST]
        for (start, offset), end in zip(steps, ends, strict=True):
            if start == end:
                raise ConfigurationError(
                    f"the pump {pump!r} has two rows from {start}", where=site.root / "clocks.csv"
                )
            rows.append([pump, start, end, offset])
    _fill(con, "site_clocks", "pump varchar, clock_from timestamp, clock_to timestamp, offset_s double", rows)


def _service(con: duckdb.DuckDBPyConnection, site: Site) -> None:
    def instant(local: datetime | None, default: datetime) -> datetime:
        if local is None:
            return default.replace(tzinfo=UTC)
        return local.replace(tzinfo=site.zone).astimezone(UTC)

    rows = sorted(
        (s.pump, instant(s.from_local, _FIRST), instant(s.to_local, _LAST), s.context) for s in site.service
    )
    for before, after in itertools.pairwise(rows):
        if before[0] == after[0] and after[1] < before[2]:
            raise ConfigurationError(
                f"two rows of the pump {after[0]!r} overlap", where=site.root / "service.csv"
            )
    _fill(
        con,
        "site_service",
        "pump varchar, from_at timestamptz, to_at timestamptz, context varchar",
        [list(row) for row in rows],
    )


def load_lookup(
    con: duckdb.DuckDBPyConnection,
    table: str,
    site: Site,
    mapping: Mapping,
    lookup: str,
    column: str,
    by: str,
) -> None:
    """Load one lookup file as (key, value); keys are keyed as the raw field `by` is that is looked up.

    Raises
    ------
    ConfigurationError
        If the file lacks the key or the column, or a key stands in it twice with different values.
    """
    spec = mapping.lookups[lookup]
    function = mapping.keying(by)
    path = site.sources / spec.file
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream)
            names = reader.fieldnames or []
            for name in (spec.key, column):
                if name not in names:
                    raise ConfigurationError(f"lacks the column {name!r}", where=path, row=1)
            known: dict[str, str] = {}
            for number, row in enumerate(reader, start=2):
                key, value = (row[spec.key] or "").strip(), (row[column] or "").strip()
                if known.setdefault(key, value) != value:
                    shown = "a key" if function else f"the key {key!r}"
                    raise ConfigurationError(
                        f"{shown} stands for two values of {column!r}", where=path, row=number
                    )
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"cannot be read: {error}", where=path, do="Save it as UTF-8 CSV") from None
    rows = pa.table({
        "key": pa.array(list(known), pa.string()),
        "value": pa.array([v or None for v in known.values()], pa.string()),
    })  # fmt: skip
    con.register("lookup_rows", rows)
    con.execute(
        f"create or replace temp table {table} as select {f'{function}(key)' if function else 'key'} as key, "
        "value from lookup_rows"
    )
    con.unregister("lookup_rows")
