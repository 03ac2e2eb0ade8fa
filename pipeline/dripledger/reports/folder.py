"""The folder of a report: written whole or not at all, for the owner alone."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import duckdb

from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.measures import (
    STORE_TABLES,
    Month,
    months_in_store,
    parse_month,
    refuse_outside,
    refuse_unbuilt,
    site_as_published,
    tabulate,
)
from dripledger.reports.compose import build, compose, stamp
from dripledger.reports.html import render_html
from dripledger.reports.model import Stamp
from dripledger.reports.tables import as_csv
from dripledger.site import Site
from dripledger.store import Ledger, spill_folder

#: Number of the manifest's form.
MANIFEST_FORMAT = 1


def write_report(site: Site, month: str, out: Path | None = None, as_of: str | None = None) -> Path:
    """Write the report of one month.

    Parameters
    ----------
    site
        The site folder.
    month
        ``2026-10``, ``last`` or ``this`` (counted from the commit that is read).
    out
        The folder to write; default ``reports/YYYY-MM`` below the site. A report that stands there is
        replaced, and files of yours in it stay; anything else is left alone and refused.
    as_of
        Store version or date to read; then the site's declarations are those of that commit as well.

    Returns
    -------
    Path
        The folder, with ``index.html``, ``measures*.csv``, ``infusions.csv`` and ``manifest.json``.

    Raises
    ------
    UsageError
        If nothing has been committed or the infusions are not built, the month is none or outside the store,
        or `out` holds something else than a report.
    """
    snapshot = Ledger.open(site.store).snapshot(as_of, site.zone)
    if snapshot.version == 0:
        raise UsageError(
            "nothing has been committed yet, so there is nothing to report",
            where=site.store,
            do="Run 'dripledger ingest' first",
        )
    refuse_unbuilt(snapshot)
    if as_of is not None:
        site = site_as_published(site, snapshot)
    wanted = parse_month(month, committed_at=snapshot.committed_at, zone=site.zone)
    target = out if out is not None else site.reports / str(wanted)
    check_target(target)
    made_from = stamp(site, snapshot)
    with spill_folder(site.store, "report") as spill:
        con = connect(spill)
        try:
            snapshot.attach(con, STORE_TABLES)
            refuse_outside(wanted, months_in_store(con, site))
            files = render_files(con, site, wanted, made_from)
        finally:
            con.close()
    write_folder(target, files)
    return target


def render_files(
    con: duckdb.DuckDBPyConnection, site: Site, month: Month, made_from: Stamp
) -> dict[str, bytes]:
    """Render every file of a report; the store's tables stand in `con`."""
    build(con, site, month)
    texts = {"index.html": render_html(compose(con, site, month, made_from))}
    for name, groups in (
        ("measures.csv", ("care_area",)),
        ("measures_by_source.csv", ("source",)),
        ("measures_by_pump_type.csv", ("care_area", "pump_type")),
        ("measures_by_high_alert.csv", ("high_alert",)),
    ):
        texts[name] = as_csv(tabulate(con, site, [month], groups))
    for name, relation in (
        ("infusions.csv", "report_infusions"),
        ("implausible.csv", "report_implausible_events"),
    ):
        # The month before stands in the relations as well.
        texts[name] = as_csv(con.sql(f"select * from {relation} where month = '{month}'").to_arrow_table())
    for name, relation, what in (
        ("far_overrides.csv", "report_warnings", "far_override"),
        ("left_library.csv", "report_warnings", "left_library"),
        ("long_stops.csv", "report_moments", "long_stop"),
        ("rate_changes.csv", "report_moments", "rate_change"),
    ):
        found = con.sql(f"select * from {relation} where month = '{month}' and what = '{what}'")
        texts[name] = as_csv(found.to_arrow_table())
    files = {name: text.encode() for name, text in sorted(texts.items())}
    return {**files, "manifest.json": manifest(files, month, made_from)}


def manifest(files: Mapping[str, bytes], month: Month, made_from: Stamp) -> bytes:
    """Return the manifest: the hash of each file and what they were made from; no wall-clock."""
    document = {
        "format": MANIFEST_FORMAT,
        "kind": "report",
        "month": str(month),
        **made_from.model_dump(),
        "files": {
            name: {"sha256": hashlib.sha256(content).hexdigest(), "bytes": len(content)}
            for name, content in sorted(files.items())
        },
    }
    return (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode()


def check_target(target: Path) -> None:
    """Refuse a target that is something else than a report or an empty folder.

    Raises
    ------
    UsageError
        With the path.
    """
    if not target.exists():
        return
    if not target.is_dir():
        raise UsageError("is a file, not a folder", where=target, do="Name another folder with --out")
    if any(target.iterdir()) and not _is_report(target):
        raise UsageError(
            "holds something that is no report, and would be replaced",
            where=target,
            do="Name an empty or a new folder with --out",
        )


def _is_report(folder: Path) -> bool:
    return _manifest_of(folder).get("kind") == "report"


def _manifest_of(folder: Path) -> dict[str, Any]:
    try:
        found = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _own_files(target: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Return what stands in a report's folder and its manifest does not list: it belongs to somebody.

    Raises
    ------
    UsageError
        If such a file has the name of one that is about to be written.
    """
    if not target.exists():
        return []
    listed = _manifest_of(target).get("files")
    ours = {"manifest.json", *(listed if isinstance(listed, dict) else ())}
    own = sorted(path for path in target.iterdir() if path.name not in ours)
    clash = [path.name for path in own if path.name in files]
    if clash:
        raise UsageError(
            f"holds {', '.join(clash)}, which its report did not write and the new one would",
            where=target,
            do="Rename what is yours, or name another folder with --out",
        )
    return own


def _carry(path: Path, made: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.copytree(path, made / path.name, symlinks=True)
    else:
        shutil.copy2(path, made / path.name, follow_symlinks=False)


def write_folder(target: Path, files: Mapping[str, bytes]) -> None:
    """Put a folder with these files in place: beside it first, then one rename.

    Folders are readable by the owner alone (0700), files too (0600). Where a report stands already, it is
    moved aside, and moved back if the new one cannot take its place. Files and folders in it that its
    manifest does not list are carried over.

    Raises
    ------
    UsageError
        If one of those has the name of a file to be written.
    """
    target = target.absolute()
    own = _own_files(target, files)
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    made = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}-new-"))
    aside: Path | None = None
    try:
        for name, content in files.items():
            handle = os.open(made / name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        for path in own:
            _carry(path, made)
        if target.exists():
            aside = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}-old-")) / "report"
            target.rename(aside)
        try:
            made.rename(target)
        except OSError:
            if aside is not None:
                aside.rename(target)
            raise
    finally:
        shutil.rmtree(made, ignore_errors=True)
        # Only when something stands in its place is the old report let go.
        if aside is not None and target.exists():
            with contextlib.suppress(OSError):
                shutil.rmtree(aside.parent)
