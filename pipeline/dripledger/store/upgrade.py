"""Bring an older store to this version's format."""

from __future__ import annotations

from pathlib import Path

from dripledger.store.layout import FORMAT, check_format, check_path


def upgrade(root: Path) -> str:
    """Bring the store in a folder to this version's format.

    Format 1 is the first, so there is nothing older to bring here yet.

    Returns
    -------
    str
        One sentence for people: what was done.

    Raises
    ------
    StoreFormatError
        If there is no store, or a newer one; the message names both format numbers.
    """
    root = root.resolve()
    check_path(root)
    check_format(root)
    return f"The store has format {FORMAT} already; there is nothing to do."
