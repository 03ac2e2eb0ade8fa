"""One version of the store, as readers see it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Final

import duckdb
from deltalake import DeltaTable

from dripledger.errors import VerificationError
from dripledger.schema import TABLES, Table
from dripledger.store import delta
from dripledger.store.commits import COMMITS, CommitRow, list_sha256, read_rows

#: Every table that a reader can see.
ALL_TABLES: Final[Mapping[str, Table]] = {**TABLES, COMMITS.name: COMMITS}


def quoted(text: str) -> str:
    """Return text as an SQL string."""
    return "'" + text.replace("'", "''") + "'"


class Snapshot:
    """The store at one version; nothing that is written later shows in it.

    Parameters
    ----------
    root
        The store's folder.
    row
        The row of `commits` that it stands for; None: nothing is committed yet.
    commit_files
        The data files of the table `commits` itself.
    """

    def __init__(self, root: Path, row: CommitRow | None, commit_files: Iterable[str]) -> None:
        self.root = root
        self.row = row
        self._commit_files = list(commit_files)
        self._handles: dict[str, DeltaTable | None] = {}
        self._known: dict[str, list[str]] = {}

    def __repr__(self) -> str:
        return f"Snapshot({str(self.root)!r}, version={self.version})"

    @property
    def version(self) -> int:
        """The store version; 0 while nothing is committed."""
        return 0 if self.row is None else self.row.version

    @property
    def committed_at(self) -> datetime | None:
        """When it was committed, UTC."""
        return None if self.row is None else self.row.committed_at

    @cached_property
    def history(self) -> list[CommitRow]:
        """Every commit up to this version, oldest first."""
        return [row for row in read_rows(self._commit_files) if row.version <= self.version]

    def handle(self, table: str) -> DeltaTable | None:
        """Open a table at this version; None where it did not exist yet."""
        if table not in TABLES:
            raise KeyError(table)
        if table not in self._handles:
            version = None if self.row is None else self.row.table_versions.get(table)
            self._handles[table] = None if version is None else delta.open_at(self.root / table, version)
        return self._handles[table]

    def know(self, table: str, files: Iterable[str]) -> None:
        """Take the data files of a table at this version from who has read its log already.

        Parameters
        ----------
        table
            Its name.
        files
            Paths below the table's folder.
        """
        if self.row is not None and table in self.row.table_versions:
            self._known[table] = sorted(files)

    def files(self, table: str) -> list[str]:
        """Return the paths of the table's data files at this version, sorted.

        Raises
        ------
        VerificationError
            If the table's log no longer names the files that were committed.
        """
        if table == COMMITS.name:
            return list(self._commit_files) if self.row is not None else []
        version = None if self.row is None else self.row.table_versions.get(table)
        found = self._known.get(table)
        if found is None:
            handle = self.handle(table)
            if handle is None:
                return []
            found = delta.relative_files(handle)
        written = None if self.row is None else self.row.table_files.get(table)
        if written is not None and written != list_sha256(found):
            raise VerificationError(
                f"table {table} at its version {version} no longer holds the files that store "
                f"version {self.version} was committed with",
                where=self.root / table,
                do=delta.RESTORE,
            )
        return [str(self.root / table / name) for name in found]

    def partitions(self, table: str) -> list[str]:
        """Return the partition values that the table holds at this version, sorted."""
        handle = self.handle(table)
        if ALL_TABLES[table].partition is None or handle is None:
            return []
        return delta.partition_values(handle)

    def attach(
        self, con: duckdb.DuckDBPyConnection, tables: Iterable[str] | None = None, prefix: str = ""
    ) -> None:
        """Make a temporary view for each table, with columns and types as declared.

        Parameters
        ----------
        con
            Where to make them; a view of that name is replaced.
        tables
            Which tables; default: every one, `commits` included.
        prefix
            Put before each view's name.
        """
        for name in ALL_TABLES if tables is None else tables:
            con.execute(f'create or replace temp view "{prefix}{name}" as {self.select(con, name)}')

    def select(self, con: duckdb.DuckDBPyConnection, table: str) -> str:
        """Return the SELECT that reads a table at this version; a column that no file holds is null."""
        declared = ALL_TABLES[table]
        files = self.files(table)
        if not files:
            return declared.empty_select()
        source = f"read_parquet([{', '.join(quoted(path) for path in files)}], union_by_name = true"
        if declared.partition:
            # the partition column is in the folders' names, not in the files
            source += f", hive_partitioning = true, hive_types = {{'{declared.partition}': VARCHAR}})"
        else:
            source += ", hive_partitioning = false)"
        try:
            present = {item[0] for item in con.execute(f"select * from {source} limit 0").description or ()}
        except (duckdb.IOException, duckdb.InvalidInputException) as error:
            raise VerificationError(
                f"a data file of table {table} cannot be read: {str(error).splitlines()[0]}",
                where=self.root / table,
                do=delta.RESTORE,
            ) from error
        fields = ", ".join(
            f"cast({_name(c.name) if c.name in present else 'null'} as {c.type.duckdb}) as {_name(c.name)}"
            for c in declared.columns
        )
        # the newest file of `commits` may hold rows that are later than this version
        where = f" where version <= {self.version}" if table == COMMITS.name else ""
        return f"select {fields} from {source}{where}"


def _name(name: str) -> str:
    return f'"{name}"'
