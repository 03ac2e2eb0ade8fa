"""Which files are read, and by which mapping."""

from __future__ import annotations

import fnmatch
from collections.abc import Mapping as Map
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from dripledger.errors import ConfigurationError, DripledgerError, InputError, UsageError
from dripledger.site import Site
from dripledger.sources.mapping import Mapping


@dataclass
class Claims:
    """Files and the source that reads each.

    Parameters
    ----------
    files
        (path, name shown and kept in the ledger, source), sorted by name.
    unclaimed
        Names of files in the inbox that no mapping claims.
    failures
        Named inputs that cannot be read at all.
    """

    files: list[tuple[Path, str, str]] = field(default_factory=list)
    unclaimed: list[str] = field(default_factory=list)
    failures: list[DripledgerError] = field(default_factory=list)


def shown_name(site: Site, path: Path) -> str:
    """Return the path below the inbox, or the file's name where it lies elsewhere."""
    try:
        return path.resolve().relative_to(site.inbox.resolve()).as_posix()
    except ValueError:
        return path.name


def _matches(mapping: Mapping, name: str) -> bool:
    return any(
        fnmatch.fnmatchcase(name, pattern) or fnmatch.fnmatchcase(name.rpartition("/")[2], pattern)
        for pattern in mapping.pattern
    )


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
                if inner.is_file() and not any(p.startswith(".") for p in inner.relative_to(path).parts):
                    found.setdefault(inner, False)
        elif path.is_file():
            found[path] = True
        elif asked:
            told.failures.append(
                InputError("there is no such file or folder", where=path, do="Check the path")
            )
    for path, named in found.items():
        name = shown_name(site, path)
        owners = [source] if source is not None else [m.name for m in mappings.values() if _matches(m, name)]
        if len(owners) > 1:
            raise ConfigurationError(
                f"the sources {' and '.join(owners)} both claim this file",
                where=name,
                do="Make their patterns differ, or name one with --source",
            )
        if owners:
            told.files.append((path, name, owners[0]))
        elif named:
            told.failures.append(
                InputError(
                    "no mapping claims this file", where=path, do="Name one with --source, or draft one"
                )
            )
        else:
            told.unclaimed.append(name)
    told.files.sort(key=lambda item: (item[1], str(item[0])))
    return told
