"""`map`: a mapping drafted for an unknown export, and any mapping tried without keeping anything."""

from __future__ import annotations

import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from dripledger.commands.output import chosen_format, counted, emit, say
from dripledger.errors import UsageError, printable

if TYPE_CHECKING:
    import pyarrow as pa

    from dripledger.drafting.trial import Trial
    from dripledger.site import Site

#: How many names each action takes, and what they are.
_NAMES = {"draft": (1, "one export: FILE"), "try": (2, "a mapping and an export: MAPPING FILE")}


def add_arguments(parser: ArgumentParser) -> None:
    """Add what the verb takes, but for the options that all verbs share."""
    parser.add_argument(
        "action",
        metavar="ACTION",
        choices=tuple(_NAMES),
        help="draft FILE: propose a mapping (TOML); try MAPPING FILE: show what it makes of a file",
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="the export; for try the mapping before it")
    parser.add_argument(
        "--safe",
        action="append",
        metavar="COLUMN",
        help="draft: this column holds nothing about people: do not mask it, show values; may be repeated",
    )


def run(args: Namespace) -> int:
    """Draft a mapping, or try one."""
    number, told = _NAMES[args.action]
    if len(args.names) != number:
        raise UsageError(f"map {args.action} takes {told}", do="See 'dripledger map --help'")
    if args.action == "draft":
        if args.format is not None:
            raise UsageError("a draft is TOML, so --format has no meaning for it")
        return _draft(args)
    if args.safe:
        raise UsageError("map try has no option '--safe'")
    return _try(args)


def _site(args: Namespace) -> Site | None:
    """Return the site folder; None where none was named and the current folder is none."""
    from dripledger.site import load_site

    if hasattr(args, "site") or Path("site.toml").is_file():
        return load_site(Path(getattr(args, "site", ".")))
    return None


def _draft(args: Namespace) -> int:
    from dripledger.drafting.draft import draft

    site = _site(args)
    limits = None if site is None else site.settings.limits
    text = draft(Path(args.names[0]), args.safe or (), limits)
    sys.stdout.buffer.write(text.encode("utf-8"))
    say("drafted; nothing was written but this. Send it to sources/NAME.toml, read every line, and try it.")
    return 0


def _try(args: Namespace) -> int:
    from dripledger.drafting.trial import try_mapping
    from dripledger.site import Site, SiteSettings

    form = chosen_format(args.format)
    site = _site(args)
    if site is None:
        say(
            "no site folder here (--site names one): times are read as UTC, and no care area or "
            "entry is filed."
        )
        site = Site(Path(), SiteSettings(format=1, facility="trial", time_zone="UTC"))
    trial = try_mapping(site, Path(args.names[0]), Path(args.names[1]))
    if form == "table":
        _drawn(trial)
    else:
        for sentence in trial.assumed:
            say(f"assumed: {sentence}")
        for row in trial.waiting.to_pylist():
            say(f"would wait: {counted(row['records'], 'record', 'records')}: {row['means']}")
        emit(trial.events, form, document=trial.as_json())
    for note in trial.notes:
        say(f"{note}.")
    say(f"{_balance(trial)} Nothing was written.")
    return 0


def _balance(trial: Trial) -> str:
    told = trial.counts
    return (
        f"{counted(told['rows_read'], 'record', 'records')} read: {told['events_kept']} would be kept, "
        f"{counted(told['duplicates'], 'is a duplicate', 'are duplicates')}, "
        f"{told['quarantined']} would wait, "
        f"{told['rows_ignored']} would be ignored by a rule; {counted(told['events'], 'event', 'events')}."
    )


def _drawn(trial: Trial) -> None:
    """Print everything for a person, what is assumed first."""
    from dripledger.output import write_table

    def part(title: str, table: pa.Table, none: str) -> None:
        print(f"\n{title}\n")
        if table.num_rows:
            write_table(table, sys.stdout, "table")
        else:
            print(none)

    print("Assumed, until somebody confirms it:" if trial.assumed else "Nothing is assumed.")
    for sentence in trial.assumed:
        print(f"  - {printable(sentence)}")
    events = f"First events ({trial.events.num_rows} of {trial.counts['events']})"
    part(events, trial.events, "No record gives an event.")
    part("What would wait, by reason", trial.waiting, "Nothing would wait.")
    part("Labels that nobody has filed", trial.labels, "Every label is filed.")
    part("The records with most reasons", trial.worst, "None waits.")
