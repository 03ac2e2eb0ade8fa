"""The verbs: each reads its arguments, calls the rooms that do the work, and prints what they return.

Every function takes the parsed command line and returns the exit code. The rooms are imported inside, so that
a verb waits only for what it needs.
"""

from __future__ import annotations

import re
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from dripledger.commands.output import balance_sentence, chosen_format, emit, say
from dripledger.errors import UsageError, VerificationError

if TYPE_CHECKING:
    import pyarrow as pa

    from dripledger.events.result import IngestResult
    from dripledger.measures import Month
    from dripledger.site import Site
    from dripledger.store import Snapshot


def _site(args: Namespace) -> Site:
    from dripledger.site import load_site

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
    from dripledger.events.ingest import ingest as read

    chosen_format(args.format)
    site = _site(args)
    result = read(
        site,
        [Path(path) for path in args.paths],
        source=args.source,
        wait_s=args.wait,
        build=not args.no_build,
        progress=say,
    )
    return _tell_ingest(result, args.format)


def _tell_ingest(result: IngestResult, form: str | None) -> int:
    """Print what an ingest did and return its exit code."""
    _print_balance(result, form)
    for reason, count in sorted(result.ignored.items()):
        say(f"{count} records carry no event: {reason}.")
    if result.rederived:
        say(f"{result.rederived} events were derived anew, because what they rest on was mended.")
    if result.settled:
        say(f"{result.settled} events in a repeated hour have a sure time now.")
    for name in result.unclaimed:
        say(f"{name}: no mapping claims this file; it was left.")
    for name in result.left:
        say(f"{name}: still being written; it was left for the next time.")
    if result.quarantined_share > result.quarantine_share_max:
        say(
            f"{result.total('quarantined')} of {result.total('rows_read')} records of this run wait in"
            f" quarantine, a share over {result.quarantine_share_max:g}. See 'dripledger quarantine';"
            " where this is right, raise quarantine_share_max in site.toml."
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
    schema = pa.schema([*fields, *((name, pa.int64()) for name in COUNTS)])
    files = pa.Table.from_pylist([file.as_json() for file in result.files], schema=schema)
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
        return _tell_ingest(retry(_site(args), args.reason, progress=say), args.format)
    _, snapshot = _open(args)
    records = list_quarantine(snapshot, args.reason)
    if form == "table":
        # What a person needs to find the record; the other forms hold every column.
        records = records.select(
            ["path", "source_record", "pump_id", "device_time", "reasons", "explanation"]
        )
    emit(records, form)
    say(f"{records.num_rows} records wait.")
    return 0


def measures(args: Namespace) -> int:
    """Print every measure as a table."""
    chosen_format(args.format)
    site, snapshot = _open(args)
    by = None if args.by is None else args.by.split(",")
    emit(_measures(site, snapshot, _months(args, site, snapshot), by), args.format)
    return 0


def _measures(
    site: Site, snapshot: Snapshot, months: list[Month] | None = None, by: list[str] | None = None
) -> pa.Table:
    from dripledger.engine import connect
    from dripledger.measures import calculate
    from dripledger.store import spill_folder

    groups = ["care_area"] if by is None else by
    with spill_folder(site.store, "measures") as spill, connect(spill) as con:
        return calculate(con, site, snapshot, months, groups)


def _months(args: Namespace, site: Site, snapshot: Snapshot) -> list[Month] | None:
    """Return the months that were asked for; None: every month in the store."""
    from dripledger.measures import month_range, parse_month

    def month(text: str) -> Month:
        return parse_month(text, committed_at=snapshot.committed_at, zone=site.zone)

    if args.month is not None:
        if args.from_month or args.to_month:
            raise UsageError("--month excludes --from and --to", do="Give one month, or a first and a last")
        return [month(args.month)]
    if (args.from_month is None) != (args.to_month is None):
        raise UsageError("--from and --to go together", do="Give both, or --month")
    return month_range(month(args.from_month), month(args.to_month)) if args.from_month else None


def report(args: Namespace) -> int:
    """Write the report of one month."""
    from dripledger.measures import parse_month
    from dripledger.reports import write_report

    site = _site(args)
    snapshot = _snapshot(args, site)
    month = parse_month(args.month, committed_at=snapshot.committed_at, zone=site.zone)
    out = None if args.out is None else Path(args.out)
    print(write_report(site, str(month), out, args.as_of))
    return 0


def verify(args: Namespace) -> int:
    """Check a store."""
    import pyarrow as pa

    from dripledger.store import is_sound, verify_store

    chosen_format(args.format)
    path = Path(args.path)
    if not path.exists():
        raise UsageError("there is no such file or folder", where=path)
    root = path / "store" if (path / "site.toml").is_file() else path
    findings = verify_store(root)
    rows = [{"level": item.level, "where": item.where, "what": item.what} for item in findings]
    emit(
        pa.Table.from_pylist(rows, schema=pa.schema([(n, pa.string()) for n in ("level", "where", "what")])),
        args.format,
    )
    errors = sum(item.level == "error" for item in findings)
    if not is_sound(findings):
        raise VerificationError(
            f"{errors} {'thing is' if errors == 1 else 'things are'} not as the commits wrote down",
            where=root,
            do="Restore what is named from a backup",
        )
    say(f"{root}: sound; every hash, version and balance is as the commits wrote down.")
    return 0


def upgrade(args: Namespace) -> int:
    """Bring the store to this version's format."""
    from dripledger.store import upgrade as bring

    say(bring(_site(args).store))
    return 0


def query(args: Namespace) -> int:
    """Run one read-only SELECT; the table `measures` is computed when the statement names it."""
    from dripledger.store import query as run

    chosen_format(args.format)
    site, snapshot = _open(args)
    wanted = re.search(r"\bmeasures\b", args.sql, re.IGNORECASE)
    extra = {"measures": _measures(site, snapshot)} if wanted else {}
    emit(run(snapshot, args.sql, extra), args.format)
    return 0


def status(args: Namespace) -> int:
    """Say what is in the store."""
    from dripledger.commands.status import as_table, describe

    chosen_format(args.format)
    document = describe(*_open(args))
    emit(as_table(document), args.format, document=document)
    return 0
