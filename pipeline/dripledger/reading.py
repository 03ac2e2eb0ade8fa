"""The store for notebooks and scripts: one version of it, as relations, Arrow tables or pandas frames."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa

from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.measures import measure_store, parse_month, refuse_unbuilt, site_as_published, store_months
from dripledger.site import Site, load_site
from dripledger.store import Ledger, Snapshot, spill_folder
from dripledger.store.snapshot import ALL_TABLES

if TYPE_CHECKING:
    import pandas as pd

    from dripledger.incidents.model import Trace


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
    def site(self) -> Site:
        """The site, as it was declared when this version was committed; its zone, thresholds and lists."""
        return self._site

    @property
    def snapshot(self) -> Snapshot:
        """The version itself, for functions of the package that take one."""
        return self._snapshot

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        """The DuckDB connection in which the tables stand, for what relations cannot do."""
        return self._con

    @property
    def months(self) -> tuple[str, ...]:
        """Local months with an event, such as ``2026-10``, in order; the newest may be incomplete."""
        return tuple(str(month) for month in store_months(self._site, self._snapshot))

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

        Examples
        --------
        >>> import dripledger
        >>> with dripledger.open("demo") as store:
        ...     store.table("infusions").filter("library_use = 'bypassed'").columns[:2]
        ['infusion_id', 'continues_infusion_id']
        """
        if name not in ALL_TABLES:
            raise UsageError(f"there is no table {name!r}", do=f"The tables are {', '.join(self.tables)}")
        return self._con.table(name)

    def arrow(self, name: str) -> pa.Table:
        """Return a whole table as Arrow; see `table`.

        Examples
        --------
        >>> import dripledger
        >>> with dripledger.open("demo") as store:
        ...     str(store.arrow("infusions").schema.field("started_at").type)
        'timestamp[us, tz=UTC]'
        """
        return self.table(name).to_arrow_table()

    def pandas(self, name: str) -> pd.DataFrame:
        """Return a whole table as a pandas frame; see `table`. Decimals become floats.

        Raises
        ------
        UsageError
            If pandas is not installed.

        Examples
        --------
        >>> import dripledger
        >>> with dripledger.open("demo") as store:
        ...     store.pandas("attempts").outcome.value_counts().sort_index().index.to_list()
        ['left_library', 'overridden', 'unchanged', 'unknown', 'within_limits']
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

        Examples
        --------
        >>> import dripledger
        >>> with dripledger.open("demo") as store:
        ...     store.sql("select count(distinct pump_id) from infusions").fetchall()
        [(7,)]
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

        Examples
        --------
        >>> import dripledger
        >>> with dripledger.open("demo") as store:
        ...     rows = store.measures("2026-10").filter("measure = 'protected_share'")
        ...     told = rows.select("care_area, numerator, denominator, status").order("care_area")
        ...     told.limit(1).fetchall()[0]
        ('Alder Intensive Care', Decimal('72.000000000'), Decimal('86.000000000'), 'provisional')
        """
        asked = [months] if isinstance(months, str) else months
        wanted = (
            None
            if asked is None
            else [parse_month(m, committed_at=self.committed_at, zone=self._site.zone) for m in asked]
        )
        return self._con.from_arrow(measure_store(self._site, self._snapshot, wanted, by))

    def trace(
        self,
        pump: str,
        begins: str | datetime,
        ends: str | datetime,
        *,
        channel: str | None = None,
        clock_doubt_s: float = 0.0,
    ) -> Trace:
        """Return what one pump did, as ``dripledger trace`` tells it.

        Parameters
        ----------
        pump
            The pump, as its log names it.
        begins, ends
            The window: local times such as ``"2026-10-05T08:15"``, with an offset where they would be
            ambiguous, or aware datetimes. It is widened to whole infusions.
        channel
            One channel; None: all.
        clock_doubt_s
            How far the clock may be off either way beyond what ``clocks.csv`` corrects, seconds.

        Returns
        -------
        dripledger.incidents.model.Trace
            Timeline, amounts with their bounds, doubts and findings: a reconstruction from logs, not a
            finding of cause or fault.

        Raises
        ------
        UsageError
            If the store knows no such pump or channel, a time cannot be read or is ambiguous, or the
            version's infusions were not built.

        Examples
        --------
        >>> import dripledger
        >>> with dripledger.open("demo") as store:
        ...     told = store.trace("BV-A002", "2026-09-11T10:50", "2026-09-11T11:10")
        ...     [(finding.word, finding.rule) for finding in told.findings]
        [('fact', 'weight_implausible')]
        """
        from dripledger.incidents import Asked, parse_moment, trace

        refuse_unbuilt(self._snapshot)

        def moment(given: str | datetime, where: str) -> datetime:
            if isinstance(given, str):
                return parse_moment(given, self._site.zone, where)
            if given.tzinfo is None:
                raise UsageError("a datetime without a time zone says no moment", where=where)
            return given.astimezone(UTC)

        asked = Asked(
            pump, channel, moment(begins, "begins"), moment(ends, "ends"), clock_doubt_s=clock_doubt_s
        )
        return trace(self._site, self._snapshot, asked)


def open_store(site: str | Path, as_of: str | int | date | None = None) -> Store:
    """Open a site's store; see `dripledger.open`."""
    declared = load_site(Path(site))
    asked = None if as_of is None else str(as_of)
    snapshot = Ledger.open(declared.store).snapshot(asked, declared.zone)
    if asked is not None:
        declared = site_as_published(declared, snapshot)
    return Store(declared, snapshot)
