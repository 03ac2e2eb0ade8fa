"""The few calls of the `deltalake` package that the store rests on; nothing else in the project calls it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.compute as pc
from deltalake import (
    ColumnProperties,
    DeltaTable,
    PostCommitHookProperties,
    WriterProperties,
    write_deltalake,
)
from deltalake.exceptions import DeltaError

from dripledger.errors import VerificationError
from dripledger.schema import Table

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
# a write keeps one open page a column and partition: small pages keep a write of many months in bounds
_WRITER: Final = WriterProperties(
    compression="ZSTD",
    compression_level=1,
    data_page_size_limit=256 * 1024,
    dictionary_page_size_limit=256 * 1024,
    # a reader skips by pump and time; the extremes of anything else only cost
    default_column_properties=ColumnProperties(statistics_enabled="NONE"),
    column_properties={
        **{
            name: ColumnProperties(statistics_enabled="CHUNK")
            for name in ("pump_id", "device_time", "occurred_at", "started_at")
        },
        # no two are alike: a dictionary would be begun, filled and given up
        **{
            name: ColumnProperties(dictionary_enabled=False, statistics_enabled="NONE")
            for name in ("event_id", "values_digest", "source_record")
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


class _Nulls:
    """Columns of nulls, made once and sliced: making them anew for each batch costs a quarter of a write."""

    def __init__(self) -> None:
        self._made: dict[pa.DataType, pa.Array] = {}

    def of(self, rows: int, kind: pa.DataType) -> pa.Array:
        """Return `rows` nulls of a type."""
        made = self._made.get(kind)
        if made is None or len(made) < rows:
            made = self._made[kind] = pa.nulls(rows, kind)
        return made.slice(0, rows)


def _columns(table: Table, schema: pa.Schema, nulls: _Nulls, batch: pa.RecordBatch) -> pa.RecordBatch:
    """Bring one batch into the declared columns, order and types; what does not fit is a defect of ours."""
    unknown = set(batch.schema.names) - set(schema.names)
    if unknown:
        raise ValueError(f"table {table.name} has no column {', '.join(sorted(unknown))}")
    arrays = []
    for column, target in zip(table.columns, schema, strict=True):
        index = batch.schema.get_field_index(column.name)
        if index < 0:
            array = nulls.of(batch.num_rows, target.type)
        else:
            array = batch.column(index)
            source = array.type
            if (
                pa.types.is_timestamp(target.type)
                and pa.types.is_timestamp(source)
                and (target.type.tz is None) != (source.tz is None)
            ):
                raise ValueError(f"{table.name}.{column.name} is {target.type}, and {source} was given")
            if source != target.type:
                array = array.cast(target.type)
        if not column.nullable and array.null_count:
            raise ValueError(f"{table.name}.{column.name} may not be null")
        arrays.append(array)
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


def _conform(
    table: Table, data: pa.Table | pa.RecordBatchReader, partitions: frozenset[str] | None
) -> Iterator[pa.RecordBatch]:
    schema, nulls = table.arrow_schema, _Nulls()
    for given in data.to_batches() if isinstance(data, pa.Table) else data:
        batch = _columns(table, schema, nulls, given)
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


def _predicate(table: Table, partitions: Sequence[str]) -> str:
    if table.partition is None:
        raise ValueError(f"table {table.name} has no partitions")
    for value in partitions:
        if not _MONTH.match(value):
            raise ValueError(f"{table.name}.{table.partition} is no month 'YYYY-MM': {value!r}")
    return f"{table.partition} in ({', '.join(repr(value) for value in partitions)})"


def write(
    handle: DeltaTable,
    table: Table,
    data: pa.Table | pa.RecordBatchReader,
    *,
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
    replace, partitions
        Replace instead of append: these partition values, or everything when None.

    Raises
    ------
    ValueError
        If the data does not fit the declaration; nothing was written then.
    """
    failure: list[Exception] = []
    wanted = frozenset(partitions) if replace and partitions is not None else None

    def batches() -> Iterator[pa.RecordBatch]:
        try:
            yield from _conform(table, data, wanted)
        except Exception as error:
            # the stream's consumer would only pass on its text
            failure.append(error)
            raise

    options: dict[str, Any] = {"mode": "overwrite" if replace else "append"}
    if wanted is not None:
        options["predicate"] = _predicate(table, sorted(wanted))
    names = {field.name for field in handle.schema().fields}
    if not names.issuperset(table.names):
        options["schema_mode"] = "merge"
    reader = pa.RecordBatchReader.from_batches(table.arrow_schema, batches())
    try:
        write_deltalake(
            handle, reader, writer_properties=_WRITER, post_commithook_properties=_HOOKS, **options
        )
    except Exception:
        if failure:
            raise failure[0] from None
        raise


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
