"""dripledger: what infusion pumps did, from their own event logs, with every record accounted for."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from dripledger.reading import Store

__version__ = "0.1.0"


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
    >>> with dripledger.open("demo") as store:  # doctest: +SKIP
    ...     store.sql("select kind, count(*) as events from events group by kind").show()
    """
    # here and not above, so that importing the package waits for nothing heavy
    from dripledger.reading import open_store

    return open_store(site, as_of)
