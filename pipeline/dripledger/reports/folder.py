"""The folder of a report: written whole or not at all, for the owner alone."""

from __future__ import annotations

import contextlib
import glob
import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.measures import (
    STORE_TABLES,
    edited_since,
    months_in_store,
    parse_month,
    refuse_outside,
    refuse_unbuilt,
    site_as_published,
)
from dripledger.reports.compose import stamp
from dripledger.reports.rendering import manifest, render_files
from dripledger.site import Site
from dripledger.store import Ledger, spill_folder
from dripledger.store.layout import is_running

__all__ = ["check_target", "manifest", "render_files", "write_folder", "write_report"]


def write_report(
    site: Site, month: str, out: Path | None = None, as_of: str | None = None, *, share: bool = False
) -> Path:
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
    share
        Make the form for sharing, by default in ``reports/YYYY-MM-shared``: small numbers hidden, no list of
        events, no pump. It takes the permissions that the umask leaves; the internal form is for its owner
        alone.

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
    target = out if out is not None else site.reports / f"{wanted}{'-shared' if share else ''}"
    check_target(target)
    made_from = stamp(site, snapshot).model_copy(update={"edited": edited_since(site, snapshot)})
    with spill_folder(site.store, "report") as spill:
        con = connect(spill)
        try:
            snapshot.attach(con, STORE_TABLES)
            refuse_outside(wanted, months_in_store(con, site))
            files = render_files(con, site, wanted, made_from, snapshot=snapshot, share=share)
        finally:
            con.close()
    write_folder(target, files, private=not share)
    return target


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
    folders = {name.split("/", 1)[0] for name in (*ours, *files) if "/" in name}
    own = []
    for path in sorted(target.iterdir()):
        if path.name in folders and path.is_dir() and not path.is_symlink():
            own += [inner for inner in sorted(path.iterdir()) if f"{path.name}/{inner.name}" not in ours]
        elif path.name not in ours:
            own.append(path)
    names = {*files, *(name.split("/", 1)[0] for name in files if "/" in name)}
    clash = [name for path in own if (name := path.relative_to(target).as_posix()) in names]
    if clash:
        raise UsageError(
            f"holds {', '.join(clash)}, which its report did not write and the new one would",
            where=target,
            do="Rename what is yours, or name another folder with --out",
        )
    return own


def _carry(path: Path, place: Path) -> None:
    place.parent.mkdir(exist_ok=True, mode=0o700)
    if path.is_dir() and not path.is_symlink():
        shutil.copytree(path, place, symlinks=True)
    else:
        shutil.copy2(path, place, follow_symlinks=False)


def _umask() -> int:
    """Return the umask; the only way to read it is to set it."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _clear_up(target: Path) -> None:
    """Take away what a killed run left beside a report; put back a report that it had moved aside."""
    for rest in sorted(target.parent.glob(f".{glob.escape(target.name)}-*-*-*")):
        word, pid = rest.name.removeprefix(f".{target.name}-").split("-")[:2]
        if word not in ("new", "old") or not pid.isdigit() or is_running(int(pid)):
            continue
        if word == "old" and not target.exists() and (rest / "report").exists():
            (rest / "report").rename(target)
        shutil.rmtree(rest, ignore_errors=True)


def write_folder(target: Path, files: Mapping[str, bytes], *, private: bool = True) -> None:
    """Put a folder with these files in place: beside it first, then one rename.

    Folders are readable by the owner alone (0700), files too (0600), unless `private` is false: then the
    umask decides. A name may hold one folder (``lists/a.csv``). Where a report stands already, it is
    moved aside, and moved back if the new one cannot take its place. Files and folders in it that its
    manifest does not list are carried over.

    Raises
    ------
    UsageError
        If one of those has the name of a file to be written.
    """
    target = target.absolute()
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    _clear_up(target)
    own = _own_files(target, files)
    made = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}-new-{os.getpid()}-"))
    aside: Path | None = None
    try:
        if not private:
            made.chmod(0o777 & ~_umask())
        for folder in sorted({name.split("/", 1)[0] for name in files if "/" in name}):
            (made / folder).mkdir(mode=0o700 if private else 0o777)
        for name, content in files.items():
            handle = os.open(made / name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600 if private else 0o666)
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        for path in own:
            _carry(path, made / path.relative_to(target))
        if target.exists():
            aside = (
                Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}-old-{os.getpid()}-"))
                / "report"
            )
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
