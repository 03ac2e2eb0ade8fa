"""The few calls of the `deltalake` package that the store rests on; nothing else in the project calls it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.compute as pc
from deltalake import (
    ColumnProperties,
    DeltaTable,
    PostCommitHookProperties,
    WriterProperties,
)
from deltalake import Schema as DeltaSchema
from deltalake.exceptions import DeltaError
from deltalake.transaction import AddAction, RemoveAction

from dripledger.errors import VerificationError
from dripledger.schema import Column, Table
from dripledger.store.data_files import NO_DICTIONARY, STATISTICS, DataFiles

# With the defaults, versions vanish 30 days after they were written; here history stays.
CONFIGURATION: Final = {
    "delta.logRetentionDuration": "interval 36500 days",
    "delta.deletedFileRetentionDuration": "interval 36500 days",
    "delta.enableExpiredLogCleanup": "false",
    # a reader opens the newest checkpoint before its version and replays what follows
    "delta.checkpointInterval": "10",
    # parquet's own footers carry statistics; in the log they would only make every opening slower
    "delta.dataSkippingNumIndexedCols": "0",
}
_HOOKS: Final = PostCommitHookProperties(create_checkpoint=True, cleanup_expired_logs=False)
# when small files are put together; a write of ours goes through `DataFiles`
_WRITER: Final = WriterProperties(
    compression="ZSTD",
    compression_level=1,
    data_page_size_limit=256 * 1024,
    dictionary_page_size_limit=256 * 1024,
    default_column_properties=ColumnProperties(statistics_enabled="NONE"),
    column_properties={
        **{name: ColumnProperties(statistics_enabled="CHUNK") for name in sorted(STATISTICS)},
        **{
            name: ColumnProperties(dictionary_enabled=False, statistics_enabled="NONE")
            for name in sorted(NO_DICTIONARY)
        },
    },
)
RESTORE: Final = "Run 'dripledger verify' on the store, and restore what is missing from a backup"
#: Files below this size are put together by `gather`; larger ones are left as they are.
_SMALL_BYTES: Final = 16 * 1024 * 1024
#: Features of the protocol with which a data file may hold rows, or names of columns, that do not count.
_UNREADABLE: Final = frozenset({"deletionVectors", "columnMapping"})
_MONTH: Final = re.compile(r"\d{4}-\d{2}\Z")


def is_table(folder: Path) -> bool:
    """Whether a Delta table lies in that folder."""
    return (folder / "_delta_log" / f"{0:020}.json").is_file()


def create(folder: Path, table: Table) -> None:
    """Make an empty table: its Delta version 0 has no row."""
    folder.mkdir(parents=True, exist_ok=True)
    DeltaTable.create(
        str(folder),
        table.arrow_schema,
        mode="ignore",
        partition_by=[table.partition] if table.partition else None,
        configuration=CONFIGURATION,
    )


def open_at(folder: Path, version: int | None = None) -> DeltaTable:
    """Open a table at one of its versions (None: the newest).

    Raises
    ------
    VerificationError
        If its log is gone or damaged.
    """
    try:
        handle = DeltaTable(str(folder), version=version)
    except (DeltaError, OSError, ValueError) as error:
        at = "at its newest version" if version is None else f"at its version {version}"
        raise VerificationError(
            f"table {folder.name} does not open {at}: {(str(error).splitlines() or [''])[0]}",
            where=folder,
            do=RESTORE,
        ) from error
    strange = sorted({*(handle.protocol().reader_features or ())} & _UNREADABLE)
    if strange:
        # its data files hold rows that are deleted elsewhere: read as they lie, these would come back
        raise VerificationError(
            f"table {folder.name} was written by another engine with {' and '.join(strange)}: rows can be "
            "marked as deleted and still stand in the data files, which dripledger neither writes nor reads",
            where=folder,
            do="Only dripledger may write to a store. Restore it from a backup",
        )
    return handle


def relative_files(handle: DeltaTable) -> list[str]:
    """Return the data files of an opened table, relative to its folder, sorted."""
    base = handle.table_uri.rstrip("/") + "/"
    folder = unquote(base.removeprefix("file://"))
    found = []
    for uri in handle.file_uris():
        # locations are percent-encoded like those of the web
        path = unquote(uri.removeprefix("file://"))
        if not path.startswith(folder):
            raise ValueError(f"{path} lies outside its table {folder}")
        found.append(path.removeprefix(folder))
    return sorted(found)


def partition_values(handle: DeltaTable) -> list[str]:
    """Return the partition values present, sorted."""
    return sorted({value for part in handle.partitions() for value in part.values()})


def _columns(table: Table, schema: pa.Schema, batch: pa.RecordBatch) -> pa.RecordBatch:
    """Bring one batch into the declared types; what does not fit is a defect of ours."""
    arrays = []
    for target in schema:
        array = batch.column(target.name)
        source = array.type
        if (
            pa.types.is_timestamp(target.type)
            and pa.types.is_timestamp(source)
            and (target.type.tz is None) != (source.tz is None)
        ):
            raise ValueError(f"{table.name}.{target.name} is {target.type}, and {source} was given")
        if source != target.type:
            array = array.cast(target.type)
        if not target.nullable and array.null_count:
            raise ValueError(f"{table.name}.{target.name} may not be null")
        arrays.append(array)
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


def _given_schema(table: Table, given: pa.Schema) -> pa.Schema:
    """Return the declared columns that the data has; a file without a column reads as null there."""
    unknown = set(given.names) - set(table.names)
    if unknown:
        raise ValueError(f"table {table.name} has no column {', '.join(sorted(unknown))}")
    for column in table.columns:
        if column.name not in given.names and (not column.nullable or column.name == table.partition):
            raise ValueError(f"{table.name}.{column.name} may not be null")
    return pa.schema(
        [
            pa.field(c.name, _kept_type(table, c, given.field(c.name).type), nullable=c.nullable)
            for c in table.columns
            if c.name in given.names
        ]
    )


def _kept_type(table: Table, column: Column, given: pa.DataType) -> pa.DataType:
    """Return the type to write from: text given with a dictionary keeps it, for the file is the same."""
    of_text = pa.types.is_dictionary(given) and given.value_type == column.type.arrow
    return given if of_text and column.name != table.partition else column.type.arrow


def _conform(
    table: Table,
    schema: pa.Schema,
    data: pa.Table | pa.RecordBatchReader,
    partitions: frozenset[str] | None,
) -> Iterator[pa.RecordBatch]:
    for given in data.to_batches() if isinstance(data, pa.Table) else data:
        batch = _columns(table, schema, given)
        if table.partition and batch.num_rows:
            found = set(pc.unique(batch.column(table.partition)).to_pylist())
            strange = sorted(value for value in found if not _MONTH.match(value))
            if strange:
                raise ValueError(f"{table.name}.{table.partition} is no month 'YYYY-MM': {strange}")
            if partitions is not None and not found <= partitions:
                raise ValueError(
                    f"{table.name}: rows of {sorted(found - partitions)}, which are not being replaced"
                )
        if batch.num_rows:
            yield batch


def _held(handle: DeltaTable, table: Table, partitions: frozenset[str] | None) -> list[RemoveAction]:
    """Return what takes the files of some partitions out of a table (None: every file)."""
    held = pa.table(handle.get_add_actions(flatten=True))
    key = f"partition.{table.partition}"
    return [
        RemoveAction(
            path=row["path"],
            data_change=True,
            deletion_timestamp=row["modification_time"],
            size=row["size_bytes"],
            partition_values={table.partition: row[key]} if table.partition else {},
        )
        for row in held.to_pylist()
        if partitions is None or row[key] in partitions
    ]


def write(
    handle: DeltaTable,
    table: Table,
    data: pa.Table | pa.RecordBatchReader,
    *,
    token: str,
    replace: bool = False,
    partitions: Sequence[str] | None = None,
) -> None:
    """Append rows, or replace the whole table or some partitions of it; one commit of this Delta table.

    Parameters
    ----------
    handle
        The table, opened at its newest version; it is moved on to the version written.
    table
        Its declaration; columns that the data lacks become null.
    data
        Rows; a reader is streamed.
    token
        The writer's own, which nobody else has: it stands in the names of the data files.
    replace, partitions
        Replace instead of append: these partition values, or everything when None.

    Raises
    ------
    ValueError
        If the data does not fit the declaration; nothing was written then.
    """
    wanted = frozenset(partitions) if replace and partitions is not None else None
    if wanted is not None and table.partition is None:
        raise ValueError(f"table {table.name} has no partitions")
    schema = _given_schema(table, data.schema)
    folder = Path(unquote(handle.table_uri.removeprefix("file://")))
    _add_columns(handle, table)
    # the number of the version that this write makes: no earlier write of this writer has it
    files = DataFiles(folder, schema, table.partition, f"v{handle.version() + 1:09}-{token}")
    with files:
        for batch in _conform(table, schema, data, wanted):
            files.add(batch)
    actions: list[AddAction | RemoveAction] = list(_held(handle, table, wanted)) if replace else []
    for file in files.written:
        told = (folder / file.path).stat()
        values = {table.partition: file.partition} if table.partition else {}
        rows = json.dumps({"numRecords": file.rows})
        modified_ms = told.st_mtime_ns // 1_000_000
        actions.append(AddAction(file.path, told.st_size, values, modified_ms, True, rows))
    handle.create_write_transaction(
        actions,
        "append",
        handle.schema(),
        [table.partition] if table.partition else None,
        post_commithook_properties=_HOOKS,
    )
    handle.update_incremental()


def _add_columns(handle: DeltaTable, table: Table) -> None:
    """Add the columns that were declared since the table was made."""
    names = {field.name for field in handle.schema().fields}
    missing = [c for c in table.columns if c.name not in names]
    if missing:
        declared = DeltaSchema.from_arrow(pa.schema([pa.field(c.name, c.type.arrow) for c in missing]))
        handle.alter.add_columns(list(declared.fields))
        handle.update_incremental()


def gather(handle: DeltaTable) -> None:
    """Put the small files of each partition together; the rows stay what they are."""
    handle.optimize.compact(
        target_size=_SMALL_BYTES,
        max_concurrent_tasks=1,
        writer_properties=_WRITER,
        post_commithook_properties=_HOOKS,
    )
    handle.update_incremental()


def restore(handle: DeltaTable, version: int) -> None:
    """Make the table's newest version hold what an earlier one held."""
    handle.restore(version, post_commithook_properties=_HOOKS)
    handle.update_incremental()
