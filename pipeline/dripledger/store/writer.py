"""The one writer of a store: it writes tables, and last of all the row of `commits` that shows them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pyarrow as pa
from deltalake import DeltaTable

from dripledger import __version__
from dripledger.schema import TABLES
from dripledger.store import delta
from dripledger.store.commits import COMMITS, CommitRow, file_sha256, list_sha256, to_arrow
from dripledger.store.layout import declarations_folder, write_whole
from dripledger.store.snapshot import Snapshot

#: Every so many versions small files are put together, so that opening a store and reading it stay quick.
_GATHER_EVERY: Final = 25


class Writer:
    """Writes the next version of the store; made by `Ledger.write`, which holds the lock.

    Attributes
    ----------
    base
        The newest version before this one.
    version
        The version being written.
    committed_at
        The time that the commit will carry, UTC; fixed when the writer starts.
    token
        Stands in the name of every data file that it writes.
    gathered
        Whether it began to put small files together.
    named
        Once committed: the data files that it wrote and its commit names, as paths below the store.
    """

    def __init__(self, root: Path, base: Snapshot, token: str, at: datetime | None = None) -> None:
        self.root = root
        self.token = token
        self.base = base
        self.version = base.version + 1
        self.committed_at = (datetime.now(UTC) if at is None else at).astimezone(UTC)
        self.committed = False
        self.gathered = False
        self.named: set[str] = set()
        self._heads: dict[str, DeltaTable] = {}
        self._before: dict[str, frozenset[str]] = {}
        self._touched: set[str] = set()
        self._repair()

    def _repair(self) -> None:
        """Make what is missing, and take back what an interrupted writer left ahead of `commits`."""
        for name, table in TABLES.items():
            folder = self.root / name
            if not delta.is_table(folder):
                delta.create(folder, table)
            head = delta.open_at(folder)
            # a table that no commit names was made empty as its version 0
            named = 0 if self.base.row is None else self.base.row.table_versions.get(name, 0)
            files = delta.relative_files(head)
            if head.version() != named:
                before = delta.relative_files(delta.open_at(folder, named))
                if files != before:
                    delta.restore(head, named)
                    files = before
            self._heads[name] = head
            self._before[name] = frozenset(files)
            self.base.know(name, files)

    def append(self, table: str, data: pa.Table | pa.RecordBatchReader) -> None:
        """Add rows to a table.

        Parameters
        ----------
        table
            Its name.
        data
            Rows with columns of the table, in any order; what is missing becomes null. A reader is streamed;
            several of its batches are in memory at once, so batches of some 10,000 rows keep a write small.

        Raises
        ------
        ValueError
            If the data does not fit the declared columns.
        """
        self._write(table, data)

    def replace(
        self, table: str, partitions: Sequence[str] | None, data: pa.Table | pa.RecordBatchReader
    ) -> None:
        """Replace some partitions of a table, or all of it.

        Parameters
        ----------
        table
            Its name.
        partitions
            Partition values whose rows go; None: all rows. An empty sequence replaces nothing.
        data
            The rows that stand in their place, of these partitions only.

        Raises
        ------
        ValueError
            If the data does not fit the declared columns or holds rows of other partitions.
        """
        self._write(table, data, replace=True, partitions=partitions)

    def _write(
        self,
        table: str,
        data: pa.Table | pa.RecordBatchReader,
        *,
        replace: bool = False,
        partitions: Sequence[str] | None = None,
    ) -> None:
        if self.committed:
            raise RuntimeError("this writer has committed already")
        if table not in TABLES:
            raise ValueError(f"there is no table {table}")
        if isinstance(data, pa.Table) and not data.num_rows and (not replace or partitions == []):
            return
        self._touched.add(table)
        delta.write(
            self._heads[table],
            TABLES[table],
            data,
            token=self.token,
            replace=replace,
            partitions=partitions,
        )

    def current(self) -> Snapshot:
        """Return what is written so far as a snapshot that only this writer sees."""
        row = CommitRow(
            version=self.version,
            committed_at=self.committed_at,
            ingest_id=None,
            note="",
            code_version=__version__,
            table_versions=self._versions(),
            table_files={},
            files={},
            declarations={},
        )
        now = Snapshot(self.root, row, self.base._commit_files)
        for name, head in self._heads.items():
            now.know(name, delta.relative_files(head))
        return now

    def _versions(self) -> dict[str, int]:
        return {name: head.version() for name, head in self._heads.items()}

    def _added(self) -> dict[str, str]:
        added = {}
        for name in sorted(self._touched):
            for file in delta.relative_files(self._heads[name]):
                if file not in self._before[name]:
                    added[f"{name}/{file}"] = file_sha256(self.root / name / file)
        return added

    def _gather(self) -> None:
        self.gathered = True
        for name in TABLES:
            head = self._heads[name]
            partitions = max(len(delta.partition_values(head)), 1) if TABLES[name].partition else 1
            if len(delta.relative_files(head)) >= partitions + _GATHER_EVERY // 2:
                delta.gather(head)
                self._touched.add(name)

    def _keep(self, declarations: Sequence[Path], texts: Mapping[str, str]) -> dict[str, str]:
        """Copy declarations by content; return name -> SHA-256."""
        site = self.root.parent
        contents = {name: text.encode() for name, text in texts.items()}
        for path in declarations:
            resolved = path.resolve()
            name = resolved.relative_to(site).as_posix() if resolved.is_relative_to(site) else path.name
            contents[name] = path.read_bytes()
        kept = {}
        for name, content in contents.items():
            kept[name] = digest = hashlib.sha256(content).hexdigest()
            target = declarations_folder(self.root) / digest
            if not target.exists():
                write_whole(target, content)
        return kept

    def commit(
        self,
        *,
        ingest_id: str | None,
        declarations: Sequence[Path],
        note: str = "",
        texts: Mapping[str, str] | None = None,
    ) -> int:
        """Make everything written since the lock was taken visible, as one store version.

        Parameters
        ----------
        ingest_id
            The ingest that wrote it, if one did.
        declarations
            Files by which the site declares something; a copy of each is kept by its content.
        note
            One phrase for people.
        texts
            Name -> text of what the program itself declares; kept like the files.

        Returns
        -------
        int
            The store version.
        """
        if self.committed:
            raise RuntimeError("this writer has committed already")
        if self.version % _GATHER_EVERY == 0:
            self._gather()
        bare = CommitRow(
            version=self.version,
            committed_at=self.committed_at,
            ingest_id=ingest_id,
            note=note,
            code_version=__version__,
            table_versions=self._versions(),
            table_files={name: list_sha256(delta.relative_files(head)) for name, head in self._heads.items()},
            files=self._added(),
            declarations=self._keep(declarations, texts or {}),
        )
        before = "" if self.base.row is None else self.base.row.chain_sha256
        row = CommitRow(**{**bare.__dict__, "chain_sha256": bare.chained(before)})
        head = delta.open_at(self.root / COMMITS.name)
        if self.version % _GATHER_EVERY == 0:
            # one Delta commit: the new row appears and the old ones move together, or nothing happens
            delta.write(head, COMMITS, to_arrow([*self.base.history, row]), token=self.token, replace=True)
        else:
            delta.write(head, COMMITS, to_arrow([row]), token=self.token)
        self.named = {*row.files, *(f"{COMMITS.name}/{file}" for file in delta.relative_files(head))}
        self.committed = True
        return self.version
