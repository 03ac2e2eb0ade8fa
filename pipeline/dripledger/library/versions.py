"""The libraries that a site has on file, by version; and a library that is named on the command line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from dripledger.errors import ConfigurationError, UsageError
from dripledger.library.load import library_files
from dripledger.library.rows import LimitRow, read_library
from dripledger.site import Site

_LONG_AGO = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True)
class Library:
    """One version of a drug library."""

    version: str
    published_at: datetime | None
    rows: tuple[LimitRow, ...]


def libraries_on_file(site: Site) -> list[Library]:
    """Return every version in ``libraries/``, by publication, then by name.

    Raises
    ------
    ConfigurationError
        If a file is wrong; `dripledger library check` lists all that is.
    """
    return _by_version([row for path in library_files(site) for row in _sound(path, site)])


def named_library(site: Site, name: str) -> Library:
    """Return the library that a person names: a file with one version, or a version on file.

    Raises
    ------
    UsageError
        If there is none, or the file holds several versions.
    ConfigurationError
        If a row of it is wrong.
    """
    path = Path(name)
    if path.is_file():
        found = _by_version(_sound(path, site))
        if len(found) != 1:
            told = ", ".join(library.version for library in found) or "no row"
            raise UsageError(
                f"the file must hold one version, and holds: {told}",
                where=path,
                do="Put each version into a file of its own",
            )
        return found[0]
    known = libraries_on_file(site)
    for library in known:
        if library.version == name:
            return library
    told = ", ".join(library.version for library in known) or "none"
    raise UsageError(
        f"{name!r} is neither a file nor a version in libraries/",
        where=site.libraries,
        do=f"There are: {told}",
    )


def newest(libraries: Sequence[Library], before: datetime) -> Library | None:
    """Return the library that was published last before a moment; without any, the last on file."""
    published = [one for one in libraries if one.published_at is not None and one.published_at < before]
    found = published or list(libraries)
    return found[-1] if found else None


def _sound(path: Path, site: Site) -> list[LimitRow]:
    reading = read_library(path, site.zone)
    if reading.problems:
        error = reading.problems[0].error
        raise ConfigurationError(
            error.what, where=error.where, row=error.row, column=error.column,
            do="See 'dripledger library check' for all that is wrong",
        )  # fmt: skip
    return reading.rows


def _by_version(rows: Sequence[LimitRow]) -> list[Library]:
    versions: dict[str, list[LimitRow]] = {}
    for row in rows:
        versions.setdefault(row.version, []).append(row)
    found = []
    for version, own in versions.items():
        days = [row.published_at for row in own if row.published_at is not None]
        found.append(Library(version, min(days) if days else None, tuple(own)))
    return sorted(found, key=lambda one: (one.published_at or _LONG_AGO, one.version))
