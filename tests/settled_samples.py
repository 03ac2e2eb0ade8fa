"""A store of five months of which the first three are settled, and changes of it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dripledger.measures import Month
from dripledger.site import Site
from dripledger.store import Ledger, Writer
from tests.measure_samples import table
from tests.report_samples import drawn

NAMES = ("2026-01", "2026-02", "2026-03", "2026-04", "2026-05")
#: Months that a report with a span of two shows none of; the fleet was heard long after them.
EARLY = (Month(2026, 1), Month(2026, 2), Month(2026, 3))
SETTINGS = """
format = 1
facility = "fennmoor"
time_zone = "America/Halifax"
[care_areas.icu]
[care_areas.ward]
[minimums]
starts = 2
infusions = 1
channel_hours = 1
"""
#: How a file can be damaged.
HARM = ("cut off", "another byte", "a folder")
NEW_YEAR = datetime(2026, 6, 2, 6, tzinfo=UTC)


def event(when: str, day: str, **given: Any) -> dict[str, Any]:
    at = f"{when}-{day}"
    return {"event_id": f"{at} {given}", "occurred_at": at, "device_time": at, "month": when, **given}


def infusion(month: str, day: str, **given: Any) -> dict[str, Any]:
    named = {"infusion_id": f"{month}-{day} {given}", "channel": "Z", "care_area": "ward", "month": month}
    return {**named, "started_at": f"{month}-{day}", "ended_at": f"{month}-{day[:2]} 23:00", **given}


def limits(version: str, published: str, hard: str = "-") -> dict[str, Any]:
    named = {"library_version": version, "library_published_at": f"{published} 00:00", "care_area": "-"}
    return {**named, "entry": "morphine", "hard_high": hard}


LIBRARIES = [limits("6", "2025-12-01"), limits("7", "2026-01-02"), limits("8", "2026-02-01")]


def sample() -> dict[str, Any]:
    """Draw five months; one pump falls silent in the first, and some have an old library."""
    found = drawn(NAMES, ("icu", "ward"), 6)
    found["infusions"] += [
        infusion("2026-02", "20 08:00", pump_id="P8", library_version="6"),
        infusion("2026-01", "03 08:00", pump_id="P7", library_version="6"),
        infusion("2026-01", "03 08:00", pump_id="P6", library_version="6"),
    ]
    found["events"] += [
        event("2026-01", "03 08:00", pump_id="P6", pump_model="M6"),
        *(event(month, "20 08:00", pump_id="P8") for month in NAMES[1:4]),
        event("2026-01", "10 08:00", pump_id="P9", kind="powered_on"),
        event("2026-01", "12 08:00", pump_id="P9"),
        event("2026-03", "12 08:00", pump_id="P5", source_name="theatre", kind="powered_on"),
        event("2026-03", "12 09:00", pump_id="P5", source_name="theatre"),
    ]
    ingests = [{"source_name": name, "ingested_at": "2026-06-01 06:00"} for name in ("wards", "theatre")]
    return {**found, "libraries": LIBRARIES, "ingests": ingests}


def commit(own: Site, change: Callable[[Writer], None]) -> None:
    with Ledger.open_or_create(own.store).write(at=NEW_YEAR) as open_writer:
        change(open_writer)
        open_writer.commit(ingest_id="1", declarations=own.declaration_files())


def appended(**rows: list[dict[str, Any]]) -> Callable[[Site], Site]:
    """Return the change that rows arrive."""

    def change(own: Site) -> Site:
        def write(open_writer: Writer) -> None:
            for name, given in rows.items():
                open_writer.append(name, table(name, given))

        commit(own, write)
        return own

    return change


def replaced(name: str, given: list[dict[str, Any]], *months: str) -> Callable[[Site], Site]:
    """Return the change that the rows of a table, or of some months of it, are others."""

    def change(own: Site) -> Site:
        commit(own, lambda w: w.replace(name, list(months) or None, table(name, given)))
        return own

    return change


def declared(**given: Any) -> Callable[[Site], Site]:
    """Return the change that a setting is another."""

    def change(own: Site) -> Site:
        settings = own.settings.model_validate({**own.settings.model_dump(), **given})
        return dataclasses.replace(own, settings=settings)

    return change


def harm(path: Path, how: str) -> None:
    """Damage a file in one of the ways that `HARM` names."""
    content = path.read_bytes()
    if how == "cut off":
        path.write_bytes(content[:-9])
    elif how == "another byte":
        path.write_bytes(content[:-40] + b"x" + content[-39:])
    else:
        path.unlink()
        path.mkdir()
