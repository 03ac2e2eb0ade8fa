"""Tables of measures that were asked for before: a store version never changes, nor does its answer."""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final

import pyarrow as pa

from dripledger.measures.calculate import check_groups, measure_store
from dripledger.measures.months import Month, as_months
from dripledger.measures.recalled import measure_months
from dripledger.measures.settled import program_digest
from dripledger.measures.span import refuse_unbuilt
from dripledger.site import Site
from dripledger.store import Snapshot
from dripledger.store.kept import pack, read_kept, unpack, write_kept

#: The folder of `reports/` in which they lie.
FOLDER: Final = ".asked"
#: What figures are worked out by, beside the program itself.
_BY: Final = ("duckdb", "numpy", "scipy")
_NAME: Final = re.compile(r"^v(\d+)-")


def measures_of(
    site: Site,
    snapshot: Snapshot,
    months: Sequence[str | Month] | None = None,
    by: Iterable[str] = ("care_area",),
) -> pa.Table:
    """Return what `calculate` returns of a store version, from what was kept where the same was asked before.

    Parameters
    ----------
    site, snapshot, months, by
        As for `calculate`. The same question is one of the same version, months and groups, under the same
        settings and lists, by the same program.

    Returns
    -------
    pyarrow.Table
        The table. It is kept beside the reports, for the owner alone, until a later version is asked; where
        that cannot be written, it is worked out each time.

    Raises
    ------
    UsageError
        For an unknown group or a text that is no month, or where the version's infusions are not built.
    """
    refuse_unbuilt(snapshot)
    groups = check_groups(by)
    wanted = None if months is None else as_months(months)
    key = _key(site, snapshot, wanted, groups)
    path = site.reports / FOLDER / f"v{snapshot.version}-{key[:32]}"
    if key and (content := read_kept(path, key)) is not None:
        with contextlib.suppress(pa.ArrowException):
            return unpack(content)
    if not key:
        return measure_store(site, snapshot, wanted, groups)
    table = measure_months(site, snapshot, wanted, groups, path.parent)
    write_kept(path.parent, {path.name: (key, pack(table))})
    _let_go(path.parent, snapshot.version)
    return table


def _key(site: Site, snapshot: Snapshot, months: Sequence[Month] | None, groups: tuple[str, ...]) -> str:
    """Return the key of a question; empty where nothing tells the version from another one."""
    if snapshot.row is None or not snapshot.row.chain_sha256:
        return ""
    parts = (
        program_digest(),
        [_version(name) for name in _BY],
        snapshot.row.chain_sha256,
        # wherever the site lies
        replace(site, root=Path()),
        None if months is None else [str(month) for month in months],
        groups,
    )
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def _version(package: str) -> str:
    """Return the version of a package; empty where it is not there, as one of an extra may be."""
    try:
        return version(package)
    except PackageNotFoundError:
        return ""


def _let_go(folder: Path, number: int) -> None:
    """Take away the answers of earlier versions."""
    with contextlib.suppress(OSError):
        for path in folder.iterdir():
            found = _NAME.match(path.name)
            if found is not None and int(found[1]) < number:
                path.unlink(missing_ok=True)
