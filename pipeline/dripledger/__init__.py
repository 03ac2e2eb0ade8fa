"""dripledger: what infusion pumps did, from their own event logs, with every record accounted for."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path
    from types import ModuleType

    from dripledger import dosing, statistics
    from dripledger.reading import Store

__version__ = "0.1.0"

__all__ = ["__version__", "dosing", "open", "statistics"]


def __getattr__(name: str) -> ModuleType:
    """Import a public room when it is first asked for: the package itself waits for nothing heavy."""
    if name in ("dosing", "statistics"):
        import importlib

        return importlib.import_module(f"dripledger.{name}")
    raise AttributeError(f"module 'dripledger' has no attribute {name!r}")


def open(site: str | Path, as_of: str | int | date | None = None) -> Store:  # noqa: A001
    """Open a site's store for reading, in a notebook or a script.

    Parameters
    ----------
    site
        The site folder.
    as_of
        None: the newest version; a store version (``3``); or a day (``"2026-10-31"``): the last commit up to
        the end of that local day. Then the site's declarations are those of that commit as well.

    Returns
    -------
    dripledger.reading.Store
        The tables of that version, as DuckDB relations, Arrow or pandas. Close it, or use it in a ``with``.

    Raises
    ------
    ConfigurationError
        If the folder is no site, or one of its files is wrong.
    StoreFormatError
        If there is no store of this format.
    UsageError
        If there is no such version.

    Examples
    --------
    >>> import dripledger
    >>> with dripledger.open("demo") as store:
    ...     store.version, store.months
    (1, ('2026-09', '2026-10', '2026-11'))
    """
    # here and not above, so that importing the package waits for nothing heavy
    from dripledger.reading import open_store

    return open_store(site, as_of)
