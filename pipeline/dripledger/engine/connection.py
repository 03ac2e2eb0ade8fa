"""One way to open DuckDB: bounded memory, a spill folder of ours, UTC, no extension from the network."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import duckdb

_GIB = 1024**3


def default_memory_limit_bytes() -> int:
    """Return the smaller of 2 GiB and half of the machine's memory."""
    total = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    return min(2 * _GIB, total // 2)


def connect(
    spill: Path | None = None,
    *,
    memory_limit_bytes: int | None = None,
    threads: int | None = None,
) -> duckdb.DuckDBPyConnection:
    """Open an in-memory DuckDB connection.

    Parameters
    ----------
    spill
        Folder for what does not fit into memory; made owner-only and emptied. None: spilling is off.
    memory_limit_bytes
        Memory limit; default: the smaller of 2 GiB and half of the machine's memory.
    threads
        Number of threads; default: DuckDB's.

    Returns
    -------
    duckdb.DuckDBPyConnection
        A connection whose time zone is UTC and that neither installs nor loads extensions by itself.
    """
    config: dict[str, str | bool | int | float | list[str]] = {
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
        "memory_limit": f"{memory_limit_bytes or default_memory_limit_bytes()}B",
        "preserve_insertion_order": True,
    }
    if threads is not None:
        config["threads"] = threads
    if spill is None:
        config["temp_directory"] = ""
    else:
        if spill.exists():
            shutil.rmtree(spill)
        spill.mkdir(parents=True, mode=0o700)
        config["temp_directory"] = str(spill)
    con = duckdb.connect(":memory:", config=config)
    con.execute("set TimeZone = 'UTC'")
    con.execute("set enable_progress_bar = false")
    return con
