"""Which files are read, and by which mapping."""

from __future__ import annotations

import fnmatch
import os
from collections.abc import Mapping as Map
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from dripledger.errors import ConfigurationError, DripledgerError, InputError, UsageError
from dripledger.site import Site
from dripledger.sources.mapping import Mapping
from dripledger.sources.opening import Inbound, is_zip, members_of, plain_name


@dataclass
class Claims:
    """Files and the source that reads each.

    Parameters
    ----------
    files
        (what to read, name shown and kept in the ledger, source), sorted by name. A file inside a zip has the
        zip's name and its own, as if the zip were a folder.
    unclaimed
        Names of files in the inbox that no mapping claims.
    irregular
        Names in the inbox that are no regular file, with what they are: a broken link, a pipe, a folder that
        is named like a file of a source, a linked folder.
    failures
        Named inputs that cannot be read at all.
    """

    files: list[tuple[Inbound, str, str]] = field(default_factory=list)
    unclaimed: list[str] = field(default_factory=list)
    irregular: list[str] = field(default_factory=list)
    failures: list[DripledgerError] = field(default_factory=list)


def shown_name(site: Site, path: Path) -> str:
    """Return the path below the inbox, or the file's name where it lies elsewhere.

    A link keeps the name under which it lies in the inbox: that name, not its target's, says whose it is.
    """
    for place, inbox in (
        (Path(os.path.abspath(path)), Path(os.path.abspath(site.inbox))),  # noqa: PTH100
        (path.parent.resolve() / path.name, site.inbox.resolve()),
    ):
        if place.is_relative_to(inbox):
            return place.relative_to(inbox).as_posix()
    return path.name


def _matches(mapping: Mapping, name: str) -> bool:
    """Whether a mapping claims a name, with or without the ending of its compression."""
    return any(
        fnmatch.fnmatchcase(form, pattern) or fnmatch.fnmatchcase(form.rpartition("/")[2], pattern)
        for pattern in mapping.pattern
        for form in dict.fromkeys((name, plain_name(name)))
    )


def _irregular(path: Path, name: str, mappings: Map[str, Mapping]) -> str | None:
    """Return what a thing in the inbox is that is no regular file; None for an ordinary folder."""
    if path.is_dir():
        if path.is_symlink():
            return "a linked folder"
        return "a folder" if any(_matches(m, name) for m in mappings.values()) else None
    return "a broken link" if path.is_symlink() and not path.exists() else "no regular file"


def claim(site: Site, mappings: Map[str, Mapping], paths: Sequence[Path], source: str | None) -> Claims:
    """Find the files to read and the mapping of each.

    Parameters
    ----------
    site
        The site; its inbox is read where no path is given.
    mappings
        Name -> mapping.
    paths
        Files or folders; empty: the inbox.
    source
        Read all of them with this mapping, whatever its pattern.

    Raises
    ------
    UsageError
        If there is no such source.
    ConfigurationError
        If two mappings claim one file.
    """
    if source is not None and source not in mappings:
        raise UsageError(
            f"there is no source {source!r}",
            where="--source",
            do=f"The mappings are: {', '.join(sorted(mappings)) or 'none yet'}",
        )
    told = Claims()
    asked = bool(paths)
    found: dict[Path, bool] = {}
    for path in paths or [site.inbox]:
        if path.is_dir():
            for inner in sorted(path.rglob("*")):
                if any(p.startswith(".") for p in inner.relative_to(path).parts):
                    continue
                if inner.is_file():
                    found.setdefault(inner, False)
                elif (what := _irregular(inner, shown_name(site, inner), mappings)) is not None:
                    told.irregular.append(f"{shown_name(site, inner)}: {what}")
        elif path.is_file():
            found[path] = True
        elif asked and path.exists():
            told.failures.append(
                InputError(
                    "is no regular file", where=path, do="Write its content to a file and name that one"
                )
            )
        elif asked:
            told.failures.append(
                InputError("there is no such file or folder", where=path, do="Check the path")
            )
    if found and not mappings:
        raise ConfigurationError(
            "there is no mapping, so no file can be read",
            where=site.sources,
            do="Write one: sources/example.toml.txt, made by 'dripledger init', shows how",
        )
    for path, named in found.items():
        name = shown_name(site, path)
        if is_zip(path):
            _claim_zip(site, mappings, told, path, name, source, named)
            continue
        owner = _owner(mappings, name, source)
        if owner is not None:
            told.files.append((Inbound(path), name, owner))
        elif named:
            told.failures.append(
                InputError(
                    "no mapping claims this file", where=path, do="Name one with --source, or draft one"
                )
            )
        else:
            told.unclaimed.append(name)
    told.files.sort(key=lambda item: (item[1], str(item[0].path)))
    return told


def _owner(mappings: Map[str, Mapping], name: str, source: str | None) -> str | None:
    """Return the source that reads a file of this name; None: no mapping claims it."""
    if source is not None:
        return source
    owners = [m.name for m in mappings.values() if _matches(m, name)]
    if len(owners) > 1:
        raise ConfigurationError(
            f"the sources {' and '.join(owners)} both claim this file",
            where=name,
            do="Make their patterns differ, or name one with --source",
        )
    return owners[0] if owners else None


def _claim_zip(
    site: Site,
    mappings: Map[str, Mapping],
    told: Claims,
    path: Path,
    name: str,
    source: str | None,
    named: bool,
) -> None:
    """Claim the files inside a zip: one by one, or all of them by the mapping that claims the zip itself."""
    try:
        members = members_of(path, site.settings.limits)
    except InputError as error:
        told.failures.append(error)
        return
    whole = _owner(mappings, name, source)
    unclaimed = []
    for member in members:
        shown = f"{name}/{member}"
        owner = whole or _owner(mappings, shown, None)
        if owner is None:
            unclaimed.append(shown)
        else:
            told.files.append((Inbound(path, member), shown, owner))
    if named and len(unclaimed) == len(members):
        told.failures.append(
            InputError(
                "no mapping claims a file in this zip" if members else "holds no file",
                where=path,
                do="Name one with --source, or draft one",
            )
        )
    else:
        told.unclaimed += unclaimed
