"""Whether there is room on the disk for what is about to be read: looked at before anything is."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Final

from dripledger.errors import MachineError
from dripledger.site import Site

_MIB: Final = 1 << 20
#: Bytes of store, staging and original that one byte of a log may take: a rule of thumb, not measured.
ROOM_PER_BYTE: Final = 2.0


def need_room(site: Site, new_bytes: int = 0) -> None:
    """Refuse to begin where the disk could not hold the outcome.

    Parameters
    ----------
    site
        The site.
    new_bytes
        Length of what is to be read and is not known yet, bytes.

    Raises
    ------
    MachineError
        With what is free and what is needed.
    """
    needed = site.settings.limits.free_mib * _MIB + ROOM_PER_BYTE * new_bytes
    for folder in (site.store, site.originals):
        free = shutil.disk_usage(_standing(folder)).free
        if free < needed:
            raise MachineError(
                f"{free / _MIB:.0f} MiB are free here, and reading takes up to {needed / _MIB:.0f} MiB; "
                "nothing was read",
                where=folder,
                do="Make room, or read fewer files at once; 'free_mib' under [limits] in site.toml says what "
                "has to stay free",
            )


def _standing(folder: Path) -> Path:
    """Return the folder, or the first one above it that is there."""
    while not folder.exists() and folder.parent != folder:
        folder = folder.parent
    return folder
