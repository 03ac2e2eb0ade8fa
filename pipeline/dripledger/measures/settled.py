"""What charts and cases of settled months follow from, as a key of each: the same key, the same rows.

A month is settled where the fleet was heard until the end of the month after it (`newest_heard`): it is
final and stays so, whatever `pumps.csv` says. Its figures come of rows of the store that begin in it or
before. A row stands in the data file of the month in which it begins (UTC), an event in that of the pump's
own clock, and no file is written to again: where an infusion goes on, an alarm is cleared years later, or a
late file arrives, the row changes and its month has another file. So the names of the files up to the month
after say all of that; the stretches of an infusion leave no gap, so that one that goes on does so from where
it stood. What files of later months can change is in the key by its content:

- what pumps told of these months whose clocks stood ahead by weeks, for it stands in files of later ones
  (`filed_ahead`);
- what a pump that was silent told next, for it may have been on all the time (`power_silences`);
- attempts that an infusion had in later months than its first one (`attempts_later`);
- the models of pumps, by which they share library releases, and their types;
- releases that were available by the end of the month, however late a pump was first seen with one;
- the limits of library versions that had been seen by then, and what each source says that it can log;
- which entries are high-alert.

Not in it is what the numbers of records, those that wait, and pumps.csv say: what hangs on these is read anew
of all months. What a file is called hangs on ingests of any time, and has to be asked for anew. Whoever lets
a measure or a case read more has to look for what else it hangs on: `test_measures_recalled.py` and
`test_reports_remembered.py` in `tests/unit` name the relations for which this holds, and
`tests/generative/test_months_recalled.py` draws changes.

Where several sources tell of the same pump in a month, what counts there hangs on the months that are read
together with it; such a month has no key.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Final

import duckdb
import numpy as np

from dripledger.engine import build_relations, load_sql_files
from dripledger.engine.sqlfiles import build_order
from dripledger.measures.definitions import DEFINITIONS_VERSION
from dripledger.measures.inputs import STORE_TABLES, prepare
from dripledger.measures.months import Month
from dripledger.schema import TABLES
from dripledger.site import Site
from dripledger.store import Snapshot
from dripledger.store.counting import counting_events

_ROOMS: Final = ("logs", "measures", "settled", "reports")
#: What keys are read from.
_READ: Final = {
    "newest_heard", "library_releases", "library_sights", "pump_models", "pump_kinds", "power_events",
}  # fmt: skip
#: Tables whose content stands in the key instead of their files.
_BY_CONTENT: Final = frozenset({"ingests", "libraries"})
_PACKAGE: Final = Path(__file__).resolve().parents[1]


@dataclass(frozen=True)
class Settled:
    """Which of some months can be remembered.

    Attributes
    ----------
    together
        Those in which several sources tell of the same pump: they are to be worked out together.
    keys
        Month -> its key, of those that are settled and not among these; empty where there is no snapshot.
    """

    together: tuple[Month, ...]
    keys: Mapping[Month, str]


def find_settled(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    snapshot: Snapshot | None,
    months: Sequence[Month],
    relations: Collection[str],
) -> Settled:
    """Return the keys of months; some relations of measures are left standing for these.

    Parameters
    ----------
    con
        Connection in which the store's tables stand.
    site
        The site.
    snapshot
        The store version that they stand for; None: nobody can tell what the rows follow from.
    months
        Months in order.
    relations
        What their figures are read from (`relations_of`).
    """
    prepare(con, site, months, _READ if snapshot is not None else ())
    several = {name for (name,) in con.execute("select distinct month from pump_logs").fetchall()}
    together = tuple(month for month in months if str(month) in several)
    alone = [month for month in months if str(month) not in several]
    if snapshot is None or not alone:
        return Settled(together, {})
    if together:
        prepare(con, site, alone, _READ)
    build_relations(con, "settled")
    ((heard_until,),) = con.execute("select max(last_at) from newest_heard").fetchall()
    settled = [
        month
        for month in alone
        if heard_until is not None and month.plus(2).begins_at(site.zone) <= heard_until
    ]
    told = _Told(con, site, snapshot, relations)
    return Settled(together, {month: told.key(month) for month in settled})


class _Told:
    """Everything that keys are made of, read once."""

    def __init__(
        self, con: duckdb.DuckDBPyConnection, site: Site, snapshot: Snapshot, relations: Collection[str]
    ) -> None:
        self._zone = site.zone
        self._common = (
            program_digest(),
            duckdb.__version__,
            np.__version__,
            DEFINITIONS_VERSION,
            _declared(con, site),
        )
        self._files = _files(snapshot, relations)
        self._silences: dict[str, list[Any]] = {}
        for month, *rest in con.execute("select * from power_silences order by all").fetchall():
            self._silences.setdefault(month, []).append(rest)
        self._ahead = con.execute("select * from filed_ahead order by all").fetchall()
        self._attempts = con.execute("select * from attempts_later order by all").fetchall()
        self._pumps = con.execute(
            "select first_at, pump_id, pump_model, pump_type from settled_pumps order by all"
        ).fetchall()
        self._releases = con.execute(
            "select available_at, pump_model, library_version from library_releases order by all"
        ).fetchall()
        limits = _limits(con)
        self._limits = [
            (first_at, version, limits.get(version, ""))
            for first_at, version in con.execute(
                "select first_at, library_version from settled_versions order by all"
            ).fetchall()
        ]

    def key(self, month: Month) -> str:
        """Return the key of a month."""
        begins_at, ends_at = month.begins_at(self._zone), month.plus(1).begins_at(self._zone)
        last = str(month.plus(1))
        parts = (
            *self._common,
            (str(month), begins_at.isoformat(), ends_at.isoformat()),
            [name for until, name in self._files if until <= last],
            # of the month after only what is next of a pump counts, which may be told here or by its silence
            _until(self._ahead, month.plus(2).begins_at(self._zone)),
            self._silences.get(str(month), []),
            *(_until(rows, ends_at) for rows in (self._attempts, self._pumps, self._releases, self._limits)),
        )
        return hashlib.sha256(repr(parts).encode()).hexdigest()


def _until(rows: Sequence[tuple[Any, ...]], ends_at: datetime) -> list[tuple[Any, ...]]:
    """Return the rows whose first column lies before an instant."""
    return [row for row in rows if row[0] < ends_at]


@cache
def program_digest() -> str:
    """Return the digest of the program itself: its version does not count up with every change."""
    digest = hashlib.sha256()
    for path in sorted(_PACKAGE.rglob("*.py")):
        digest.update(f"{path.relative_to(_PACKAGE).as_posix()}\n".encode() + path.read_bytes())
    for room in _ROOMS:
        for name, file in load_sql_files(room).items():
            digest.update(f"{room}/{name}\n{file.text}".encode())
    return digest.hexdigest()


def _declared(con: duckdb.DuckDBPyConnection, site: Site) -> tuple[Any, ...]:
    """Return what the site and the sources declare, as far as measures read it."""
    settings = site.settings
    return (
        settings.time_zone,
        # a default is a whole number where what is written out need not be one
        {name: float(value) for name, value in settings.thresholds},
        {name: float(value) for name, value in settings.minimums},
        sorted((name, area.context) for name, area in settings.care_areas.items()),
        counting_events(settings.precedence, "events"),
        con.execute("select entry, high_alert from entry_flags order by all").fetchall(),
        # logs of several sources stand among them, by the months that were prepared
        con.execute(
            "select source_name, kind from source_records "
            "where source_name in (select source_name from ingests) order by all"
        ).fetchall(),
    )


def _files(snapshot: Snapshot, relations: Collection[str]) -> list[tuple[str, str]]:
    """Return the data files that measures read, each with its month; '' where a table is not parted."""
    read = [*build_order(load_sql_files("measures"), relations), *load_sql_files("logs").values()]
    # `counting_events` is made of them
    tables = {"events", *(name for file in read for name in file.reads)} & {*STORE_TABLES} - _BY_CONTENT
    found = []
    for table in sorted(tables):
        for path in snapshot.files(table):
            name = Path(path).relative_to(snapshot.root).as_posix()
            month = name.split("/")[1].removeprefix("month=") if TABLES[table].partition else ""
            found.append((month, name))
    return found


def _limits(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Return the digest of each library version's rows."""
    digests: dict[str, Any] = {}
    for row in con.execute("select library_version, * from libraries order by all").fetchall():
        digests.setdefault(row[0], hashlib.sha256()).update(repr(row).encode())
    return {version: digest.hexdigest() for version, digest in digests.items()}
