"""The verbs: each reads its arguments, calls the rooms that do the work, and prints what they return.

Every function takes the parsed command line and returns the exit code. The rooms are imported inside, so that
a verb waits only for what it needs.
"""

from __future__ import annotations

import re
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from dripledger.commands.output import balance_sentence, chosen_format, counted, emit, emit_stream, say, show
from dripledger.errors import UsageError, VerificationError

if TYPE_CHECKING:
    import pyarrow as pa

    from dripledger.events.result import IngestResult
    from dripledger.measures import Month
    from dripledger.site import Site
    from dripledger.store import Snapshot


def _site(args: Namespace) -> Site:
    from dripledger.engine.frames import leave_pandas_out
    from dripledger.site import load_site

    if getattr(args, "alone", False):
        leave_pandas_out()
    return load_site(Path(getattr(args, "site", ".")))


def _snapshot(args: Namespace, site: Site) -> Snapshot:
    from dripledger.store import Ledger

    if not Ledger.exists(site.store):
        raise UsageError("there is no store yet", where=site.store, do="Run 'dripledger ingest' first")
    return Ledger.open(site.store).snapshot(getattr(args, "as_of", None), site.zone)


def _open(args: Namespace) -> tuple[Site, Snapshot]:
    """Return the store as it is read, and the site as it was declared then."""
    site = _site(args)
    snapshot = _snapshot(args, site)
    if args.as_of is None:
        return site, snapshot
    from dripledger.measures import site_as_published

    return site_as_published(site, snapshot), snapshot


def demo(args: Namespace) -> int:
    """Make the invented hospital, read its logs, write the last full month's report."""
    from dripledger.commands.demo import run_demo

    return run_demo(Path(args.directory), pumps=args.pumps, months=args.months, seed=args.seed)


def init(args: Namespace) -> int:
    """Make a new site folder."""
    from dripledger.commands.newsite import make_site

    for sentence in make_site(Path(args.directory)):
        say(sentence)
    return 0


def ingest(args: Namespace) -> int:
    """Read what is new and print the ledger balance."""
    from dripledger.commands.progress import shown_progress
    from dripledger.events.ingest import ingest as read

    chosen_format(args.format)
    site = _site(args)
    if args.redo is not None or args.forget is not None:
        from dripledger.commands.undo import undo

        return undo(args, site)
    with shown_progress() as progress:
        result = read(
            site,
            [Path(path) for path in args.paths],
            source=args.source,
            wait_s=args.wait,
            build=not args.no_build,
            progress=progress,
        )
    args.watch.ingested(result)
    return _tell_ingest(result, args.format)


def _tell_ingest(result: IngestResult, form: str | None) -> int:
    """Print what an ingest did and return its exit code."""
    _print_balance(result, form)
    for reason, count in sorted(result.ignored.items()):
        say(f"{counted(count, 'record carries', 'records carry')} no event: {reason}.")
    if result.rederived:
        told = counted(result.rederived, "event was derived", "events were derived")
        say(f"{told} anew, because what was declared or mended has changed.")
    if result.settled:
        say(f"{counted(result.settled, 'event', 'events')} in a repeated hour: the time is sure now.")
    for name in result.unclaimed:
        say(f"{name}: no mapping claims this file; it was left.")
    for name in result.irregular:
        say(f"{name}, not a file; it was passed over.")
    for note in result.notes:
        say(f"{note}.")
    for name in result.left:
        say(f"{name}: still being written; it was left for the next time.")
    if result.quarantined_share > result.quarantine_share_max:
        read = counted(result.total("rows_read"), "record", "records")
        waiting = counted(result.total("quarantined"), "waits", "wait")
        say(
            f"of {read} of this run, {waiting} in quarantine, a share over {result.quarantine_share_max:g}."
            " See 'dripledger quarantine'; where this is right, raise quarantine_share_max in site.toml."
        )
    for failure in result.failures:
        say(f"dripledger: {failure}")
    return result.exit_code


def balance(args: Namespace) -> int:
    """Print the ledger balance of the whole store."""
    from dripledger.events.ledger import balance as of_store

    _, snapshot = _open(args)
    _print_balance(of_store(snapshot), args.format)
    return 0


def _print_balance(result: IngestResult, form: str | None) -> None:
    import pyarrow as pa

    from dripledger.events.result import COUNTS

    document = result.as_json()

    fields = [
        ("path", pa.string()),
        ("source", pa.string()),
        ("sha256", pa.string()),
        ("already_read", pa.bool_()),
    ]
    counts = ((name, pa.int64()) for name in COUNTS)
    schema = pa.schema([*fields, *counts, ("forgotten", pa.bool_())])
    rows = [{**file.as_json(), "forgotten": file.forgotten} for file in result.files]
    files = pa.Table.from_pylist(rows, schema=schema)
    total = {"path": "in total", **{name: result.total(name) for name in COUNTS}}
    emit(files, form, document=document, total=total)
    say(balance_sentence(result))
    if not result.balanced:
        raise VerificationError("the ledger does not balance", do="Run 'dripledger verify' on the store")


def quarantine(args: Namespace) -> int:
    """List the records that wait, or read them again by today's mappings."""
    from dripledger.events.quarantine import list_quarantine, retry

    form = chosen_format(args.format)
    if args.retry:
        if args.as_of is not None:
            raise UsageError("--retry changes the store and --as-of looks back", do="Give one of them")
        from dripledger.commands.progress import shown_progress

        with shown_progress() as progress:
            result = retry(_site(args), args.reason, progress=progress)
        return _tell_ingest(result, args.format)
    _, snapshot = _open(args)
    records = list_quarantine(snapshot, args.reason)
    if form == "table":
        # What a person needs to find the record; the other forms hold every column.
        records = records.select(
            ["path", "source_record", "pump_id", "device_time", "reasons", "explanation"]
        )
    emit(records, form)
    say(f"{counted(records.num_rows, 'record waits', 'records wait')}.")
    return 0


def map(args: Namespace) -> int:  # noqa: A001 (the verb's name)
    """Draft a mapping, or try one."""
    from dripledger.commands.mapping import run

    return run(args)


def clocks(args: Namespace) -> int:
    """Propose rows for clocks.csv."""
    from dripledger.events.clocks import as_table, estimate_clocks

    form = chosen_format(args.format)
    rows = estimate_clocks(*_open(args), pump=args.pump)
    table = as_table(rows)
    if form == "table":
        # the span stands in the other forms
        table = table.select(
            ["pump", "from", "offset_s", "low_s", "high_s", "drift_s_per_day", "propose", "why"]
        )
    emit(table, args.format)
    say(
        f"{counted(sum(row.propose for row in rows), 'row is', 'rows are')} proposed; nothing was "
        "written. Copy the "
        "first three columns of those that you accept into clocks.csv; the next ingest derives the "
        "events anew."
    )
    return 0


def measures(args: Namespace) -> int:
    """Print every measure as a table."""
    form = chosen_format(args.format)
    site, snapshot = _open(args)
    by = None if args.by is None else args.by.split(",")
    found = _measures(site, snapshot, _months(args, site, snapshot), by)
    if form == "table":
        from dripledger.commands.figures import rounded

        found = rounded(found, ("value", "low95", "high95"))
    emit(found, args.format)
    return 0


def _measures(
    site: Site, snapshot: Snapshot, months: list[Month] | None = None, by: list[str] | None = None
) -> pa.Table:
    from dripledger.measures import measures_of

    return measures_of(site, snapshot, months, ["care_area"] if by is None else by)


def _months(args: Namespace, site: Site, snapshot: Snapshot) -> list[Month] | None:
    """Return the months that were asked for; None: every month in the store.

    ``--from`` alone goes up to the newest month, ``--to`` alone begins with the first.
    """
    from dripledger.measures import month_range, parse_month, refuse_outside, store_months

    texts = {"--month": args.month, "--from": args.from_month, "--to": args.to_month}
    asked = {
        option: parse_month(text, committed_at=snapshot.committed_at, zone=site.zone, where=option)
        for option, text in texts.items()
        if text is not None
    }
    if not asked:
        return None
    if "--month" in asked and len(asked) > 1:
        raise UsageError("--month excludes --from and --to", do="Give one month, or a first and a last")
    if "--from" in asked and "--to" in asked:
        month_range(asked["--from"], asked["--to"])
    known = store_months(site, snapshot)
    for option, month in asked.items():
        refuse_outside(month, known, option)
    if "--month" in asked:
        return [asked["--month"]]
    first, last = asked.get("--from", known[0]), asked.get("--to", known[-1])
    return [month for month in known if first <= month <= last]


def library(args: Namespace) -> int:
    """Check, compare or replay the drug library; say what deserves attention, and how releases arrived."""
    from dripledger.commands.library import run

    return run(args, _site(args), _open, _months)


def report(args: Namespace) -> int:
    """Write the report of one month."""
    from dripledger.measures import parse_month
    from dripledger.reports import write_report

    site = _site(args)
    snapshot = _snapshot(args, site)
    month = parse_month(args.month, committed_at=snapshot.committed_at, zone=site.zone)
    named = f"{month}-shared" if args.share else str(month)
    out = site.reports / named if args.out is None else Path(args.out)
    given = None if args.out is None else out
    try:
        written = write_report(site, str(month), given, args.as_of, share=args.share)
        args.watch.noted = {"month": str(month), "report": str(written)}
        show(str(written))
        if site.reviews:
            _tell_reviews(site, snapshot)
    except (PermissionError, FileNotFoundError, NotADirectoryError) as error:
        # it is written beside its place first, under a name that says nothing to anybody
        if Path(error.filename or "").parent != out.absolute().parent:
            raise
        raise UsageError(
            f"the report cannot be written here: {error.strerror}",
            where=out,
            do="Name another folder with --out",
        ) from None
    return 0


def _tell_reviews(site: Site, snapshot: Snapshot) -> None:
    """Say which reviews close nothing: a slip in an id leaves its case open, month after month."""
    from dripledger.engine import connect
    from dripledger.library.reviews import told, unknown_reviews

    with connect() as con:
        snapshot.attach(con, ("events",))
        if unknown := told(unknown_reviews(con, site)):
            say(unknown)


def trace(args: Namespace) -> int:
    """Trace what one pump did, or look for the siblings of a finding."""
    from dripledger.commands.trace import run

    site = _site(args)
    return run(args, site, _snapshot(args, site))


def explore(args: Namespace) -> int:
    """Start a notebook on this computer alone."""
    from dripledger.commands.explore import start

    return start(args)


def verify(args: Namespace) -> int:
    """Check a site, a store, a report or a packet."""
    from dripledger.commands.verify import check, failed

    form = chosen_format(args.format)
    path = Path(getattr(args, "site", ".") if args.path is None else args.path)
    # what is checked need not be a site, and of a site not even the settings need be in order
    at_hand = args.path is None and not (path / "site.toml").is_file()
    site = _site(args) if at_hand or (args.path is not None and hasattr(args, "site")) else None
    checked = check(path, None if args.original is None else Path(args.original), site)
    if checked.findings or form != "table":
        emit(checked.as_table(), args.format)
    if not checked.is_sound:
        raise failed(checked)
    say(checked.sentence)
    return 0


def upgrade(args: Namespace) -> int:
    """Bring the store to this version's format."""
    from dripledger.store import upgrade as bring

    say(bring(_site(args).store))
    return 0


def query(args: Namespace) -> int:
    """Run one read-only SELECT; the table `measures` is computed when the statement names it."""
    from dripledger.store import MOST_BYTES, MOST_ROWS, stream_query
    from dripledger.store import query as run

    form = chosen_format(args.format)
    site, snapshot = _open(args)
    wanted = re.search(r"\bmeasures\b", args.sql, re.IGNORECASE)
    extra = {"measures": _measures(site, snapshot)} if wanted else {}
    if form in ("csv", "parquet"):
        with stream_query(snapshot, args.sql, extra) as answer:
            emit_stream(answer, form)
    else:
        emit(run(snapshot, args.sql, extra, most_rows=MOST_ROWS, most_bytes=MOST_BYTES), form)
    return 0


def status(args: Namespace) -> int:
    """Say what is in the store."""
    from dripledger.commands.status import as_table, describe

    chosen_format(args.format)
    document = describe(*_open(args), newest=args.as_of is None)
    emit(as_table(document), args.format, document=document)
    return 0
