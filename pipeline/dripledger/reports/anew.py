"""What starts the limits of a chart anew: a declared change, or a library version that changed its limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import duckdb

from dripledger.errors import UsageError
from dripledger.lists import ChangeRow
from dripledger.measures import MEASURES, ROWS, Month
from dripledger.site import Site

#: Measures whose figures move when limits do.
OF_LIMITS: Final = (
    "protected_share",
    "soft_alert_share",
    "hard_alert_share",
    "override_share",
    "left_library_share",
)
#: Part of an area's programmings in the year before a version from which it concerns the whole area.
REACH_LEAST: Final = 0.2


@dataclass(frozen=True, slots=True)
class Restart:
    """A first month with new limits, and why."""

    month: str
    what: str


@dataclass(frozen=True, slots=True)
class Release:
    """A library version that changed limits of the one before it.

    Attributes
    ----------
    version, on
        Its name, and the local date of its publication.
    limits
        (care area, entry) whose limits it added, removed or changed; an empty area: of all areas.
    reach
        By care area: programmings in the year before of entries that it changed, and of all.
    """

    version: str
    on: date
    limits: frozenset[tuple[str, str]]
    reach: dict[str, tuple[int, int]]

    def concerns(self, area: str, entry: str | None) -> float:
        """Return the part of the programmings that it concerns; of an entry 1 or 0."""
        if entry is not None:
            return float(any(name == entry for _, name in self.limits))
        pairs = [pair for name, pair in self.reach.items() if not area or name == area]
        whole = sum(all_ for _, all_ in pairs)
        return sum(part for part, _ in pairs) / whole if whole else 0.0


@dataclass(frozen=True, slots=True)
class Anew:
    """What can start limits anew: rows of ``changes.csv``, and library versions."""

    declared: tuple[ChangeRow, ...]
    released: tuple[Release, ...]

    def of(self, measure: str, area: str = "", entry: str | None = None) -> tuple[Restart, ...]:
        """Return what starts the limits of one chart anew, in order of time.

        Parameters
        ----------
        measure
            Name of the row of the table of measures.
        area
            Its care area; '' is the facility.
        entry
            The entry whose chart it is; None: of all entries.

        Notes
        -----
        A row of ``changes.csv`` with ``new_limits`` concerns the measures that it names, or all; of its area,
        or of all and the facility. A library version concerns only measures that hang on limits: of an entry
        whose limits it changed, and of an area (or the facility) where such entries had a fifth or more of
        the programmings of the year before (our choice, no source): less can hardly be seen, and limits that
        started anew with every version would never rest on twelve months.
        """
        found = [
            (row.date, Restart(first_month(row.date), f"{row.what} ({row.date.isoformat()})"))
            for row in self.declared
            if row.new_limits
            and (not row.area or row.area == area)
            and (not row.measures or measure in row.measures or ROWS[measure][0].id in row.measures)
        ]
        if measure in OF_LIMITS:
            for one in self.released:
                part = one.concerns(area, entry)
                if part >= REACH_LEAST:
                    whose = "its limits" if entry is not None else (
                        f"limits of entries with {100 * part:.0f} % of the programmings of the year before"
                    )  # fmt: skip
                    what = f"library {one.version} changed {whose} ({one.on.isoformat()})"
                    found.append((one.on, Restart(first_month(one.on), what)))
        return tuple(restart for _, restart in sorted(found, key=lambda pair: (pair[0], pair[1].what)))


def first_month(on: date) -> str:
    """Return the first whole month from a date on."""
    month = Month(on.year, on.month)
    return str(month if on.day == 1 else month.plus(1))


def read_anew(con: duckdb.DuckDBPyConnection, site: Site) -> Anew:
    """Read what can start limits anew; `build` ran in `con`.

    Raises
    ------
    UsageError
        Where a row of ``changes.csv`` names what is no measure.
    """
    for row in site.changes:
        _check(site, row.measures)
    limits: dict[tuple[date, str], set[tuple[str, str]]] = {}
    for on, version, area, entry in con.execute(
        "select cast(timezone(zone, published_at) as date), library_version, care_area, entry"
        " from report_limits_changed cross join measure_settings"
    ).fetchall():
        limits.setdefault((on, version), set()).add((area, entry))
    reach: dict[str, dict[str, tuple[int, int]]] = {}
    for version, area, part, whole in con.execute(
        "select library_version, care_area, touched, programmings from report_release_reach"
    ).fetchall():
        reach.setdefault(version, {})[area] = (part, whole)
    return Anew(
        site.changes,
        tuple(
            Release(version, on, frozenset(pairs), reach.get(version, {}))
            for (on, version), pairs in sorted(limits.items())
        ),
    )


def _check(site: Site, names: Sequence[str]) -> None:
    for name in names:
        if name not in MEASURES and name not in ROWS:
            raise UsageError(
                f"{name!r} in the column 'measures' is no measure",
                where=site.root / "changes.csv",
                do="Name them as 'dripledger measures' does, with | between; or leave it empty",
            )
