"""Drug libraries in long form: one row a version, care area, entry, concentration and limited quantity."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa

from dripledger.errors import ConfigurationError
from dripledger.library.rows import LimitRow, read_library
from dripledger.schema import TABLES
from dripledger.site import Site

#: Files in ``libraries/`` that are libraries.
PATTERNS = ("*.csv", "*.xlsx", "*.ods")


def library_files(site: Site) -> list[Path]:
    """Return the library files of a site, sorted by name."""
    return sorted(path for pattern in PATTERNS for path in site.libraries.glob(pattern))


def load_libraries(site: Site) -> pa.Table:
    """Read every library file of a site.

    Returns
    -------
    pyarrow.Table
        Rows of `schema.TABLES["libraries"]`, sorted by their key. Limits are in the row's dosing unit (or the
        quantity's own); an empty limit is none. Times of publication without offset are local to the site.

    Raises
    ------
    ConfigurationError
        If a file is wrong, limits stand in the wrong order, or a row stands twice; with file, row and column.
    """
    table = TABLES["libraries"]
    rows: list[dict[str, object]] = []
    places: dict[tuple[object, ...], str] = {}
    key = (*table.key, "weight_min_kg", "weight_max_kg")
    for path in library_files(site):
        reading = read_library(path, site.zone)
        if reading.problems:
            raise reading.problems[0].error
        for read in reading.rows:
            row = _stored(read)
            told = tuple(row[name] for name in key)
            if told in places:
                raise ConfigurationError(
                    f"stands twice: the same row is {places[told]}", where=path, row=read.number
                )
            places[told] = f"{path.name}, row {read.number}"
            rows.append(row)
    rows.sort(key=lambda row: [str(row[name] if row[name] is not None else "") for name in key])
    return pa.Table.from_pylist(rows, schema=table.arrow_schema)


def _stored(row: LimitRow) -> dict[str, object]:
    return {
        "library_version": row.version,
        "library_published_at": row.published_at,
        "care_area": row.care_area,
        "entry": row.entry,
        "concentration_value": row.concentration_value,
        "concentration_unit": row.concentration_unit,
        "dosing_unit": row.dosing_unit,
        "limit_quantity": row.quantity,
        "hard_low": row.hard_low,
        "soft_low": row.soft_low,
        "soft_high": row.soft_high,
        "hard_high": row.hard_high,
        "weight_min_kg": row.weight_min_kg,
        "weight_max_kg": row.weight_max_kg,
    }
