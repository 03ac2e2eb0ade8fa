"""`ingest --redo` and `--forget`: what was undone, and which figures and cases are others than before."""

from __future__ import annotations

from argparse import Namespace
from dataclasses import dataclass
from typing import Any, Final

import pyarrow as pa

from dripledger.commands.output import balance_sentence, chosen_format, counted, emit, say
from dripledger.commands.progress import shown_progress
from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.events import IngestResult, derived_are_built, forget, redo
from dripledger.measures import measure_store, site_as_published
from dripledger.site import Site
from dripledger.store import Ledger, Snapshot

_COLUMNS: Final = ("what", "month", "name", "before", "after")


@dataclass(frozen=True)
class Change:
    """One figure or case that is another than before.

    Parameters
    ----------
    what
        ``"figure"`` or ``"case"``.
    month
        Its month.
    name
        The measure, or the case's id (the attempt's).
    before, after
        A figure as ``numerator / denominator``, with its status where that is not ``ok``; a case's outcome.
        Empty: there is none.
    """

    what: str
    month: str
    name: str
    before: str
    after: str


def undo(args: Namespace, site: Site) -> int:
    """Read a source again or take a file out, and print what changed by it."""
    chosen_format(args.format)
    if args.redo is not None and args.forget is not None:
        raise UsageError("--redo and --forget are two ways to undo", do="Give one of them")
    if args.paths or args.source is not None:
        raise UsageError(
            "--redo and --forget read what was read before, from originals/",
            do="Leave paths and --source out",
        )
    build = not args.no_build
    with shown_progress() as progress:
        if args.redo is not None:
            result = redo(site, args.redo, args.wait, build, progress=progress)
        else:
            result = forget(site, args.forget, args.wait, build, progress=progress)
    changes, reason = _changes(site, result)
    document = {
        **result.as_json(),
        "figures_changed": [_as_json(c) for c in changes if c.what == "figure"],
        "cases_changed": [_as_json(c) for c in changes if c.what == "case"],
    }
    emit(_as_table(changes), args.format, document=document)
    _tell(result, changes, reason)
    for note in result.notes:
        say(f"{note}.")
    for failure in result.failures:
        say(f"dripledger: {failure}")
    return max((error.exit_code for error in result.failures), default=0)


def _tell(result: IngestResult, changes: list[Change], reason: str | None) -> None:
    say(balance_sentence(result))
    for file in result.files:
        if file.forgotten:
            what = counted(file.rows_ignored, "record counts", "records count")
            say(f"{file.path}: forgotten; its {what} as ignored, and it stays out when it is dropped again.")
    if result.ingest_id is None:
        say("nothing changed: no new version was made.")
        return
    say(f"{counted(result.rederived, 'event is', 'events are')} new, gone or different.")
    if reason is not None:
        say(f"figures and cases are not compared: {reason}.")
        return
    figures = sum(c.what == "figure" for c in changes)
    cases = len(changes) - figures
    say(
        f"{counted(figures, 'figure', 'figures')} and {counted(cases, 'case', 'cases')} are others than "
        "before; "
        f"--as-of {result.store_version - 1} reads the store as it was."
    )


def _changes(site: Site, result: IngestResult) -> tuple[list[Change], str | None]:
    """Return what is another than in the version before, or the reason why that cannot be said."""
    if result.ingest_id is None:
        return [], None
    ledger = Ledger.open(site.store)
    after = ledger.snapshot(str(result.store_version))
    before = ledger.snapshot(str(result.store_version - 1))
    for snapshot in (before, after):
        if not derived_are_built(snapshot):
            return [], f"the infusions of store version {snapshot.version} have not been built"
    published = site_as_published(site, before)
    return [*_figures(published, before, site, after), *_cases(before, after)], None


def _figures(old_site: Site, before: Snapshot, site: Site, after: Snapshot) -> list[Change]:
    """Return the measures of each month, over the whole facility, that differ."""
    tables = [
        {(row["month"], row["measure"]): _figure(row) for row in measure_store(s, v, by=()).to_pylist()}
        for s, v in ((old_site, before), (site, after))
    ]
    keys = sorted({key[0] for table in tables for key in table})
    names = list(dict.fromkeys(key[1] for table in tables for key in table))
    found = []
    for month in keys:
        for name in names:
            old, new = (table.get((month, name), "") for table in tables)
            if old != new:
                found.append(Change("figure", month, name, old, new))
    return found


def _figure(row: dict[str, Any]) -> str:
    if row["status"] in ("not_measurable", "no_data"):
        return str(row["status"])
    parts = [_number(row[n]) for n in ("numerator", "denominator") if row[n] is not None]
    shown = " / ".join(parts)
    if row["value"] is not None:
        shown += f" = {row['value']:.6g}"
    return shown if row["status"] == "ok" else f"{shown} ({row['status']})"


def _number(value: Any) -> str:
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _cases(before: Snapshot, after: Snapshot) -> list[Change]:
    """Return the attempts that are new, gone, or ended another way."""
    con = connect()
    try:
        before.attach(con, ["attempts"], "old_")
        after.attach(con, ["attempts"], "new_")
        rows = con.execute(
            "select coalesce(n.month, o.month), attempt_id, coalesce(o.outcome, ''), coalesce(n.outcome, '') "
            "from old_attempts o full join new_attempts n using (attempt_id) "
            "where o.outcome is distinct from n.outcome order by 1, 2"
        ).fetchall()
    finally:
        con.close()
    return [Change("case", *row) for row in rows]


def _as_json(change: Change) -> dict[str, str | None]:
    key = "measure" if change.what == "figure" else "case"
    return {
        "month": change.month, key: change.name,
        "before": change.before or None, "after": change.after or None,
    }  # fmt: skip


def _as_table(changes: list[Change]) -> pa.Table:
    return pa.table({name: pa.array([getattr(c, name) for c in changes], pa.string()) for name in _COLUMNS})
