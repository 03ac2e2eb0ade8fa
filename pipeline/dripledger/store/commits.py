"""The table `commits`: one row is one version of the whole store."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from dripledger.schema import Column, ColumnType, Table

#: Among the declarations of a commit: the rules of the program that infusions were built by.
INFUSION_RULES: Final = "infusion_rules.txt"
#: Lines of that text that follow from the site's settings.
_OF_SITE: Final = frozenset({"settings", "events that count"})
#: Among them as well: the digests of the lookup files of `sources`, whose contents no commit keeps.
LOOKUP_FILES: Final = "lookup_files.txt"
#: Note of a commit whose events are newer than its segments and infusions.
NOT_BUILT: Final = "events only: segments and infusions are not built"

COMMITS: Final = Table(
    "commits",
    "one version of the whole store",
    (
        Column("version", ColumnType.INTEGER, "store version, from 1", nullable=False),
        Column("committed_at", ColumnType.INSTANT, "time of the commit, UTC", nullable=False),
        Column("ingest_id", ColumnType.TEXT, "the ingest that wrote it"),
        Column("note", ColumnType.TEXT, "what the writer said about it", nullable=False),
        Column("code_version", ColumnType.TEXT, "version of dripledger that wrote it", nullable=False),
        Column(
            "table_versions_json",
            ColumnType.TEXT,
            "JSON object: table -> the table's own Delta version",
            nullable=False,
        ),
        Column(
            "table_files_json",
            ColumnType.TEXT,
            "JSON object: table -> SHA-256 of the sorted list of the data files that it holds",
            nullable=False,
        ),
        Column(
            "files_added",
            ColumnType.TEXT_LIST,
            "data files that this version added, as paths below the store",
            nullable=False,
        ),
        Column("files_sha256", ColumnType.TEXT_LIST, "their SHA-256, in the same order", nullable=False),
        Column(
            "declarations_json",
            ColumnType.TEXT,
            "JSON object: declaration file -> SHA-256 of its content",
            nullable=False,
        ),
        Column("declarations_sha256", ColumnType.TEXT, "digest of all declarations together", nullable=False),
        Column(
            "chain_sha256",
            ColumnType.TEXT,
            "digest of this row and of the one before it: no row can change unseen",
            nullable=False,
        ),
    ),
    ("version",),
)


def program_differs(one: str, other: str) -> bool:
    """Return whether two texts of rules (`INFUSION_RULES`) differ in more than what follows from settings."""
    first, second = (dict(line.split("  ", 1)[::-1] for line in text.splitlines()) for text in (one, other))
    return any(first.get(name) != second.get(name) for name in {*first, *second} - _OF_SITE)


@dataclass(frozen=True)
class CommitRow:
    """One row of `commits`.

    Parameters
    ----------
    version
        Store version, from 1.
    committed_at
        Time of the commit, UTC.
    table_versions
        Table name -> that table's Delta version.
    table_files
        Table name -> digest of the list of its data files (`list_sha256`), so that a lost entry of the
        table's own log cannot take rows away unseen.
    files
        Path below the store -> SHA-256, for every data file that this version added.
    declarations
        Declaration file, relative to the site -> SHA-256 of its content.
    """

    version: int
    committed_at: datetime
    ingest_id: str | None
    note: str
    code_version: str
    table_versions: Mapping[str, int]
    table_files: Mapping[str, str]
    files: Mapping[str, str]
    declarations: Mapping[str, str]
    chain_sha256: str = field(default="", compare=False)

    @property
    def declarations_sha256(self) -> str:
        """Digest of all declarations together."""
        return hashlib.sha256(_json(self.declarations).encode()).hexdigest()

    def chained(self, before: str) -> str:
        """Return the digest of this row and of the row before it (whose digest is given; '' for none)."""
        content = {key: value for key, value in self._record().items() if key != "chain_sha256"}
        content["committed_at"] = self.committed_at.isoformat(timespec="microseconds")
        content["before"] = before
        return hashlib.sha256(_json(content).encode()).hexdigest()

    def _record(self) -> dict[str, Any]:
        names = sorted(self.files)
        return {
            "version": self.version,
            "committed_at": self.committed_at,
            "ingest_id": self.ingest_id,
            "note": self.note,
            "code_version": self.code_version,
            "table_versions_json": _json(self.table_versions),
            "table_files_json": _json(self.table_files),
            "files_added": names,
            "files_sha256": [self.files[name] for name in names],
            "declarations_json": _json(self.declarations),
            "declarations_sha256": self.declarations_sha256,
            "chain_sha256": self.chain_sha256,
        }


def _json(value: Mapping[str, Any]) -> str:
    return json.dumps(dict(value), sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def to_arrow(rows: Sequence[CommitRow]) -> pa.Table:
    """Return rows as an Arrow table with the declared columns."""
    return pa.Table.from_pylist([row._record() for row in rows], schema=COMMITS.arrow_schema)


def from_record(record: Mapping[str, Any]) -> CommitRow:
    """Return one row from the mapping that Arrow gives for it."""
    return CommitRow(
        version=record["version"],
        committed_at=record["committed_at"],
        ingest_id=record["ingest_id"],
        note=record["note"],
        code_version=record["code_version"],
        table_versions=json.loads(record["table_versions_json"]),
        table_files=json.loads(record["table_files_json"]),
        files=dict(zip(record["files_added"], record["files_sha256"], strict=True)),
        declarations=json.loads(record["declarations_json"]),
        chain_sha256=record["chain_sha256"],
    )


@dataclass(frozen=True, slots=True)
class CommitKey:
    """What is needed to find a commit: its version, its time and the file that holds its row."""

    version: int
    committed_at: datetime
    path: str


def read_keys(files: Sequence[str]) -> list[CommitKey]:
    """Read version and time of every commit, oldest first."""
    keys = []
    for path in files:
        part = pq.ParquetFile(path).read(columns=["version", "committed_at"])
        keys += [
            CommitKey(version, at, path)
            for version, at in zip(part["version"].to_pylist(), part["committed_at"].to_pylist(), strict=True)
        ]
    return sorted(keys, key=lambda key: key.version)


def read_rows(files: Sequence[str], version: int | None = None) -> list[CommitRow]:
    """Read whole rows, oldest first; only one version if it is given."""
    rows = []
    for path in files:
        for record in pq.ParquetFile(path).read().to_pylist():
            if version is None or record["version"] == version:
                rows.append(from_record(record))
    return sorted(rows, key=lambda row: row.version)


def list_sha256(files: Sequence[str]) -> str:
    """Return the digest of a table's sorted list of data files, as 64 hexadecimal digits."""
    return hashlib.sha256("\n".join(files).encode()).hexdigest()


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, as 64 hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
