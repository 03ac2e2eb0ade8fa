"""Measures by month: what settled months came to is kept, and only the other months are worked out again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import duckdb
import pyarrow as pa

from dripledger.engine import connect
from dripledger.measures.calculate import tabulate
from dripledger.measures.definitions import MEASURES
from dripledger.measures.facts import SOURCES, Facts, relations_of
from dripledger.measures.inputs import STORE_TABLES, months_in_store, prepare
from dripledger.measures.month_facts import Groups, MonthFacts, from_table
from dripledger.measures.months import Month
from dripledger.measures.settled import find_settled
from dripledger.site import Site
from dripledger.store import Snapshot, spill_folder
from dripledger.store.kept import pack, read_kept, unpack, write_kept

#: What is read anew of all months. It hangs on what no key covers: numbers and waiting records among files of
#: any month, and pumps.csv.
BESIDE: Final = ("log_completeness", "quarantine_share", "fleet_coverage")
#: Measures that a settled month's key covers.
COVERED: Final = tuple(one for one in MEASURES.values() if one.built and one.id not in BESIDE)
#: Relations of what is read of all months; whether each is final is among it.
_OF_ALL: Final = {"month_state", *(SOURCES[name].relation for name in BESIDE)}
_FORMAT: Final = "1"


def measure_months(
    site: Site, snapshot: Snapshot, months: Sequence[Month] | None, groups: Groups, folder: Path
) -> pa.Table:
    """Return the table of `calculate`, of settled months from what was kept of them.

    Parameters
    ----------
    site, snapshot
        The site and the store version.
    months
        The months; None: all that the store knows of.
    groups
        The groups beside the month, in the order of their columns (`check_groups`).
    folder
        Where the facts of settled months lie, a file a month and combination of groups; what is worked out is
        kept there, for the owner alone.

    Notes
    -----
    Where several sources tell of one pump in one of the months, what they say counts in those beside it as
    well: all are worked out together then.
    """
    with spill_folder(snapshot.root, "measures") as spill, connect(spill) as con:
        snapshot.attach(con, STORE_TABLES)
        wanted = list(months_in_store(con, site) if months is None else months)
        # the last one is worked out in any case: relations have to stand even where every month is settled
        keys = _keys(con, site, snapshot, wanted) if len(wanted) > 1 else {}
        kept = _Kept(folder, groups, keys)
        remembered = kept.recall([month for month in wanted if month != wanted[-1]])
        _prepare(con, site, wanted, remembered)
        facts = Facts(con, remembered, BESIDE)
        table = tabulate(con, site, wanted, groups, read=facts)
        kept.keep(facts, [month for month in wanted if str(month) not in remembered])
        return table


def _keys(
    con: duckdb.DuckDBPyConnection, site: Site, snapshot: Snapshot, months: Sequence[Month]
) -> Mapping[Month, str]:
    """Return the keys of those months that can be recalled."""
    settled = find_settled(con, site, snapshot, months, relations_of(one.id for one in COVERED))
    return {} if settled.together else settled.keys


def _prepare(
    con: duckdb.DuckDBPyConnection, site: Site, months: Sequence[Month], remembered: Mapping[str, MonthFacts]
) -> None:
    """Make the relations of the measures for months that are not remembered, and those beside for all."""
    anew = [month for month in months if str(month) not in remembered]
    prepare(con, site, anew, relations_of(one.id for one in COVERED) if remembered else None)
    if remembered:
        prepare(con, site, months, _OF_ALL)


class _Kept:
    """The files of what settled months came to, for one combination of groups."""

    def __init__(self, folder: Path, groups: Groups, keys: Mapping[Month, str]) -> None:
        self._folder, self._groups, self._keys = folder, groups, keys

    def _name(self, month: Month) -> str:
        return "-".join([str(month), *(self._groups or ("facility",))])

    def recall(self, months: Sequence[Month]) -> dict[str, MonthFacts]:
        """Return the facts of those months that were kept under their key, and whole."""
        found = {}
        for month in (month for month in months if month in self._keys):
            content = read_kept(self._folder / self._name(month), f"{_FORMAT} {self._keys[month]}")
            if content is None:
                continue
            try:
                found[str(month)] = from_table(unpack(content))
            except (ValueError, KeyError, TypeError, pa.ArrowException):
                continue
        return found

    def keep(self, facts: Facts, months: Sequence[Month]) -> None:
        """Keep the facts of those months that have a key."""
        told, wanted, places = {}, [(one, self._groups) for one in COVERED], _places(self._groups)
        for month in (month for month in months if month in self._keys):
            found = facts.of_month(str(month), wanted, places)
            told[self._name(month)] = (f"{_FORMAT} {self._keys[month]}", pack(found.as_table()))
        write_kept(self._folder, told)


def _places(groups: Groups) -> set[Groups]:
    """Return the combinations of groups by which measures can be split: infusions are looked up for each."""
    return {tuple(g for g in groups if g in one.groups) for one in MEASURES.values()}
