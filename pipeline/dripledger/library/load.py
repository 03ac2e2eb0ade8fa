"""Drug libraries in long form: one row a version, care area, entry, concentration and limited quantity."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

import pyarrow as pa

from dripledger.errors import ConfigurationError
from dripledger.schema import TABLES
from dripledger.schema.units import normalise_unit
from dripledger.site import Site, read_list

_REQUIRED: Final = ("version", "care_area", "entry", "quantity")
_OPTIONAL: Final = (
    "published_at", "concentration_value", "concentration_unit", "dosing_unit", "hard_low", "soft_low",
    "soft_high", "hard_high", "weight_min_kg", "weight_max_kg",
)  # fmt: skip
_LIMITS: Final = ("hard_low", "soft_low", "soft_high", "hard_high")


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
    for path in sorted(site.libraries.glob("*.csv")):
        for number, row in _rows(path, site):
            told = tuple(row[name] for name in key)
            if told in places:
                raise ConfigurationError(
                    f"stands twice: the same row is {places[told]}", where=path, row=number
                )
            places[told] = f"{path.name}, row {number}"
            rows.append(row)
    rows.sort(key=lambda row: [str(row[name] if row[name] is not None else "") for name in key])
    return pa.Table.from_pylist(rows, schema=table.arrow_schema)


def _rows(path: Path, site: Site) -> Iterator[tuple[int, dict[str, object]]]:
    for line in read_list(path, _REQUIRED, _OPTIONAL):

        def number(column: str, line=line) -> float | None:  # type: ignore[no-untyped-def]
            text = line.text(column)
            if text is None:
                return None
            value = line.number_of(column)
            if not math.isfinite(value) or "_" in text:
                raise line.wrong(column, f"{text!r} is no number")
            return float(value)

        def unit(column: str, line=line) -> str | None:  # type: ignore[no-untyped-def]
            text = line.text(column)
            if text is None:
                return None
            code = normalise_unit(text)
            if code is None:
                raise line.wrong(column, f"{text!r} is no unit that is known here; write a UCUM code")
            return code

        limits = {name: number(name) for name in _LIMITS}
        given = [(name, value) for name, value in limits.items() if value is not None]
        for (low, a), (high, b) in itertools.pairwise(given):
            if a > b:
                raise line.wrong(high, f"{high} ({b:g}) is below {low} ({a:g}); limits go up in the order "
                                 "hard_low, soft_low, soft_high, hard_high")  # fmt: skip
        concentration = number("concentration_value")
        if concentration is not None and concentration <= 0:
            raise line.wrong("concentration_value", "is not above zero")
        weights = (number("weight_min_kg"), number("weight_max_kg"))
        if None not in weights and weights[0] > weights[1]:  # type: ignore[operator]
            raise line.wrong("weight_max_kg", "is below weight_min_kg")
        published = line.text("published_at")
        yield (
            line.number,
            {
                "library_version": line.need("version"),
                "library_published_at": None if published is None else _instant(line, published, site),
                "care_area": line.need("care_area"),
                "entry": line.need("entry"),
                "concentration_value": concentration,
                "concentration_unit": unit("concentration_unit"),
                "dosing_unit": unit("dosing_unit"),
                "limit_quantity": line.need("quantity"),
                **limits,
                "weight_min_kg": weights[0],
                "weight_max_kg": weights[1],
            },
        )


def _instant(line, text: str, site: Site) -> datetime:  # type: ignore[no-untyped-def]
    try:
        if len(text) == 10:
            day = date.fromisoformat(text)
            read = datetime(day.year, day.month, day.day)
        else:
            read = datetime.fromisoformat(text)
    except ValueError:
        raise line.wrong("published_at", f"{text!r} is no time; write it as 2026-10-31 14:05") from None
    return (read if read.tzinfo is not None else read.replace(tzinfo=site.zone)).astimezone(UTC)
