"""A large store from a small invented hospital: its tables copied under other pump names."""

from __future__ import annotations

import contextlib
import io
import shutil
from pathlib import Path

from dripledger.commands.demo import run_demo
from dripledger.engine import connect
from dripledger.schema import TABLES
from dripledger.site import Site, load_site
from dripledger.store import Ledger

#: Columns that tell pumps, events and what is built from them apart.
_KEYS = (
    "event_id", "pump_id", "infusion_id", "continues_infusion_id", "programming_id", "attempt_id", "alarm_id",
)  # fmt: skip
_PUMPS, _MONTHS = 24, 14


def hospital(folder: Path) -> Site:
    """Return a small hospital with a built store, made there unless it stands already."""
    root = folder / "hospital"
    if not (root / "site.toml").is_file():
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            run_demo(root, pumps=_PUMPS, months=_MONTHS, seed=None)
    return load_site(root)


def large_site(folder: Path, events: int) -> tuple[Site, int]:
    """Make a site whose store holds about that many events, with everything that is built from them.

    Parameters
    ----------
    folder
        Where; a site that stands there already is used as it is.
    events
        How many; whole copies of the small hospital are made.

    Returns
    -------
    tuple
        The site, and the events that its store holds.
    """
    small, root = hospital(folder), folder / "large"
    if not (root / "site.toml").is_file():
        shutil.copytree(
            small.root, root, ignore=shutil.ignore_patterns("store", "inbox", "originals", "reports")
        )
        _copy(small, root, events)
    site = load_site(root)
    with connect(folder / "spill") as con:
        Ledger.open(site.store).snapshot().attach(con, ["events"])
        return site, int(con.execute("select count(*) from events").fetchall()[0][0])


def _copy(small: Site, root: Path, events: int) -> None:
    with connect(root.parent / "spill") as con:
        Ledger.open(small.store).snapshot().attach(con, list(TABLES), "of_")
        own = int(con.execute("select count(*) from of_events").fetchall()[0][0])
        copies = max(1, round(events / own))
        with Ledger.open_or_create(root / "store").write() as writer:
            for name, table in TABLES.items():
                keys = [key for key in _KEYS if key in table.names] if table.partition else []
                renamed = ", ".join(f"{key} || '/' || n.n as {key}" for key in keys)
                for copy in range(copies if keys else 1):
                    data = con.sql(
                        f'select t.* {f"replace ({renamed})" if keys else ""} from "of_{name}" as t, '
                        f"(select {copy}) as n(n)"
                    )
                    writer.append(name, data.to_arrow_reader(100_000))
            writer.commit(ingest_id="1", declarations=[])
