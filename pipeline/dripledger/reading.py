"""The store for notebooks and scripts: one version of it, as relations, Arrow tables or pandas frames."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa

from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.measures import calculate, parse_month, site_as_published
from dripledger.site import Site, load_site
from dripledger.store import Ledger, Snapshot, spill_folder
from dripledger.store.snapshot import ALL_TABLES

if TYPE_CHECKING:
    import pandas as pd


class Store:
    """One version of a site's store, opened for reading; make one with `dripledger.open`.

    Relations read the store when they are shown or fetched, and end with it: fetch what must live longer.

    Parameters
    ----------
    site
        The site, as it was declared when this version was committed.
    snapshot
        The version.
    """

    def __init__(self, site: Site, snapshot: Snapshot) -> None:
        self._site = site
        self._snapshot = snapshot
        with contextlib.ExitStack() as stack:
            spill = stack.enter_context(spill_folder(snapshot.root, "reading"))
            self._con = stack.enter_context(contextlib.closing(connect(spill)))
            snapshot.attach(self._con)
            self._open = stack.pop_all()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Store({str(self._snapshot.root)!r}, version={self.version})"

    def close(self) -> None:
        """Close the connection and remove what was spilled to disk; closing twice is no error."""
        self._open.close()

    @property
    def version(self) -> int:
        """The store version that is read; 0 while nothing is committed."""
        return self._snapshot.version

    @property
    def committed_at(self) -> datetime | None:
        """When this version was committed, UTC; None while nothing is committed."""
        return self._snapshot.committed_at

    @property
    def tables(self) -> tuple[str, ...]:
        """The names of the tables, sorted; `schema` and the README say what a row of each is."""
        return tuple(sorted(ALL_TABLES))

    def table(self, name: str) -> duckdb.DuckDBPyRelation:
        """Return a table as a DuckDB relation, which reads only what is asked of it.

        Parameters
        ----------
        name
            One of `tables`.

        Returns
        -------
        duckdb.DuckDBPyRelation
            Columns and types as declared; a quantity carries its unit in its name, null means not logged.

        Raises
        ------
        UsageError
            If there is no such table.
        """
        if name not in ALL_TABLES:
            raise UsageError(f"there is no table {name!r}", do=f"The tables are {', '.join(self.tables)}")
        return self._con.table(name)

    def arrow(self, name: str) -> pa.Table:
        """Return a whole table as Arrow; see `table`."""
        return self.table(name).to_arrow_table()

    def pandas(self, name: str) -> pd.DataFrame:
        """Return a whole table as a pandas frame; see `table`. Decimals become floats.

        Raises
        ------
        UsageError
            If pandas is not installed.
        """
        try:
            frame: pd.DataFrame = self.table(name).df()
        except ModuleNotFoundError:
            raise UsageError(
                "this needs the package 'pandas'", do="Install it with: pip install 'dripledger[explore]'"
            ) from None
        return frame

    def sql(self, query: str) -> duckdb.DuckDBPyRelation:
        """Return the answer to a SELECT over the tables.

        Unlike the command ``query`` this runs in an ordinary DuckDB connection in memory, with all that your
        program may do; the store itself is only read.

        Parameters
        ----------
        query
            One SELECT, in DuckDB's SQL; the session's time zone is UTC.

        Raises
        ------
        duckdb.Error
            If DuckDB cannot answer it.
        """
        return self._con.sql(query)

    def measures(
        self, months: str | Sequence[str] | None = None, by: Iterable[str] = ("care_area",)
    ) -> duckdb.DuckDBPyRelation:
        """Return every measure of this version, as ``dripledger measures`` prints them.

        Parameters
        ----------
        months
            Local months such as ``2026-10``, ``last`` or ``this`` (counted from this version's commit), one
            or several; None: every month in the store.
        by
            Groups beside the month: ``care_area``, ``entry``, ``pump_type``, ``high_alert``, ``source``.

        Returns
        -------
        duckdb.DuckDBPyRelation
            One row a measure, month and group: counts as decimals, `value` and its 95 % interval as fractions
            between 0 and 1, and a `status` that says what the row is worth.

        Raises
        ------
        UsageError
            For an unknown group or month, or a version whose infusions were not built.
        """
        asked = [months] if isinstance(months, str) else months
        wanted = (
            None
            if asked is None
            else [parse_month(m, committed_at=self.committed_at, zone=self._site.zone) for m in asked]
        )
        with spill_folder(self._snapshot.root, "measures") as spill, connect(spill) as con:
            return self._con.from_arrow(calculate(con, self._site, self._snapshot, wanted, by))


def open_store(site: str | Path, as_of: str | int | date | None = None) -> Store:
    """Open a site's store; see `dripledger.open`."""
    declared = load_site(Path(site))
    asked = None if as_of is None else str(as_of)
    snapshot = Ledger.open(declared.store).snapshot(asked, declared.zone)
    if asked is not None:
        declared = site_as_published(declared, snapshot)
    return Store(declared, snapshot)
