"""The site as it was declared when a store version was committed."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path, PurePosixPath

from dripledger.errors import VerificationError
from dripledger.site import Site, load_site
from dripledger.store import Snapshot


def site_as_published(site: Site, snapshot: Snapshot) -> Site:
    """Return the site with the declarations that the commit kept, so that an old report can be made again.

    Parameters
    ----------
    site
        The site folder as it stands today.
    snapshot
        The version to go back to.

    Returns
    -------
    Site
        Settings and lists of that commit, with today's folder; today's site where nothing is committed.

    Raises
    ------
    VerificationError
        If the store no longer holds a declaration that the commit names.
    """
    if snapshot.row is None or not snapshot.row.declarations:
        return site
    with tempfile.TemporaryDirectory(prefix="dripledger-") as folder:
        for name, digest in snapshot.row.declarations.items():
            relative = PurePosixPath(name)
            if relative.is_absolute() or ".." in relative.parts:
                raise VerificationError(
                    f"commit {snapshot.version} names a declaration outside the site: {name}"
                )
            kept = snapshot.root / "declarations" / digest
            if not kept.is_file():
                raise VerificationError(
                    f"the copy of {name} that store version {snapshot.version} was made with is missing",
                    where=kept,
                    do="Restore the store from a backup",
                )
            target = Path(folder).joinpath(*relative.parts)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(kept.read_bytes())
        if not (Path(folder) / "site.toml").is_file():
            return site
        return replace(load_site(Path(folder)), root=site.root)


#: Lists that reports read as they stand, beside `site.toml`.
_READ_AS_THEY_STAND = ("pumps", "entries", "changes")


def edited_since(site: Site, snapshot: Snapshot) -> tuple[str, ...]:
    """Return the files that say something else than a store version keeps, and that reports go by.

    Parameters
    ----------
    site
        The site by which a report is made. As it was published nothing is edited.
    snapshot
        The store version.

    Returns
    -------
    tuple of str
        Their names. ``reviews.csv`` is not among them: what a review finds stands in the next report.
    """
    kept = site_as_published(site, snapshot)
    if kept is site:
        return ()
    names = ["site.toml"] if kept.settings != site.settings else []
    names += [f"{name}.csv" for name in _READ_AS_THEY_STAND if getattr(kept, name) != getattr(site, name)]
    return tuple(names)
