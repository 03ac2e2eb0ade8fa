"""`demo`: an invented hospital from its first log line to the report of its last full month."""

from __future__ import annotations

import shlex
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dripledger.commands.output import balance_sentence, say
from dripledger.errors import DripledgerError, UsageError

if TYPE_CHECKING:
    from dripledger.measures import Month
    from dripledger.site import Site
    from dripledger.store import Snapshot

#: What a demo folder holds; only this is taken away when a demo is made again in the same place.
_PARTS = ("site.toml", "sources", "libraries", "inbox", "originals", "store", "reports", "truth")
_LISTS = ("pumps.csv", "clocks.csv", "service.csv", "changes.csv", "entries.csv", "reviews.csv")


def run_demo(root: Path, **options: int | None) -> int:
    """Make the hospital in a folder, read its logs, write the last full month's report.

    Parameters
    ----------
    root
        A new or empty folder, or an earlier demo, which is made again.
    options
        pumps, months, seed; None: the scenario's own.

    Returns
    -------
    int
        0. That records wait in quarantine is part of the demo.
    """
    from dripledger.commands.progress import shown_progress
    from dripledger.events.ingest import ingest
    from dripledger.hospital import generate, load_scenario
    from dripledger.reports import write_report
    from dripledger.site import load_site
    from dripledger.store import Ledger

    pumps, months, seed = (options.get(name) for name in ("pumps", "months", "seed"))
    # Refused, if so, before an earlier demo is taken away.
    load_scenario().scaled(pumps, months, seed)
    _make_room(root)
    say("making the invented hospital ...")
    generate(root, pumps, months, seed)
    site = load_site(root)
    say("reading its logs ...")
    with shown_progress() as progress:
        result = ingest(site, progress=progress)
    say(balance_sentence(result))
    month = last_full_month(site, Ledger.open(site.store).snapshot())
    say(f"writing the report of {month} ...")
    print(write_report(site, str(month), None, None))
    say(
        f"what was planted stands in {root / 'truth'}; look around with "
        f"'dripledger status --site {shlex.quote(str(root))}'."
    )
    return 0


def _make_room(root: Path) -> None:
    if not root.exists():
        return
    if not root.is_dir():
        raise UsageError("is a file, not a folder", where=root, do="Name a folder that does not exist yet")
    if not any(root.iterdir()):
        return
    if not _is_demo(root):
        raise UsageError(
            "is not empty and no demo; nothing was changed",
            where=root,
            do="Name a folder that does not exist yet",
        )
    for name in _PARTS:
        if (root / name).is_dir():
            shutil.rmtree(root / name)
    for name in (*_PARTS, *_LISTS):
        (root / name).unlink(missing_ok=True)


def _is_demo(root: Path) -> bool:
    from dripledger.site import load_site

    try:
        return (root / "truth").is_dir() and load_site(root).settings.people.demo_seed is not None
    except DripledgerError:
        return False


def last_full_month(site: Site, snapshot: Snapshot) -> Month:
    """Return the last local month that ended before the store's last event; else the last one begun."""
    from dripledger.engine import connect
    from dripledger.measures import months_in_store

    with connect() as con:
        snapshot.attach(con, ["events", "ingests"])
        last: Any = con.execute("select max(occurred_at) from events").fetchall()[0][0]
        months = months_in_store(con, site)
    if not months:
        raise UsageError("the store holds no event", where=site.store)
    ended = [month for month in months if month.plus(1).begins_at(site.zone) <= last]
    return (ended or months)[-1]
