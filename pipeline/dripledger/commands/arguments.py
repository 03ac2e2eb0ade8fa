"""The verbs and options of the command line, with the nearest known name where one is misspelt.

Light on purpose: ``dripledger --help`` must not wait for a database engine.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

from dripledger import __version__
from dripledger.commands.mapping import add_arguments
from dripledger.errors import UsageError

_EXIT_CODES = """\
exit codes:
  0    done
  1    a defect of this program
  2    wrong usage or configuration
  3    an input cannot be read at all; the others are committed
  4    done, but more of this run's records wait in quarantine than the site allows
  5    a verification failed
  6    another process is writing to the store
  130  interrupted
"""


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are ours: raised, one sentence, with the nearest known name."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        kwargs.setdefault("allow_abbrev", False)
        super().__init__(*args, **kwargs)

    def error(self, message: str) -> NoReturn:
        choice = re.match(r"argument (\S+): invalid choice: '(.*?)' \(choose from (.*)\)$", message)
        if choice:
            known = [name.strip(" '") for name in choice[3].split(",")]
            what = "a command" if choice[1] == "COMMAND" else f"a value of {choice[1]}"
            raise UsageError(f"{choice[2]!r} is not {what}", do=_nearest(choice[2], known))
        raise UsageError(
            message.replace("the following arguments are required:", "this is missing:"),
            do=f"See '{self.prog} --help'",
        )


def _nearest(given: str, known: Sequence[str]) -> str:
    import difflib

    close = difflib.get_close_matches(given, known, n=1, cutoff=0.6)
    return f"Perhaps you mean {close[0]!r}" if close else f"There are: {', '.join(known)}"


def _seconds(text: str) -> float:
    value = float(text)
    if not 0 <= value < 1e6:
        raise ValueError
    return value


def _between(fewest: int, most: int) -> Callable[[str], int]:
    """Return a reader of a count; outside its range the message names the range."""

    def read(text: str) -> int:
        if not text.isascii() or not text.isdigit() or not fewest <= int(text) <= most:
            raise argparse.ArgumentTypeError(f"{text!r} is no number from {fewest} to {most}")
        return int(text)

    return read


def _whole(text: str) -> int:
    value = int(text)
    if value < 0:
        raise ValueError
    return value


# argparse puts these into its message: "invalid number of seconds value: 'x'"
_seconds.__name__ = "number of seconds"
_whole.__name__ = "whole number"


def _common(*, site: bool) -> _Parser:
    """Options that stand both before and after the verb; SUPPRESS keeps one from resetting the other."""
    shared = _Parser(add_help=False, argument_default=argparse.SUPPRESS)
    if site:
        shared.add_argument("--site", metavar="DIR", help="the site folder (default: the current folder)")
    shared.add_argument("--debug", action="store_true", help="add a traceback to an error")
    return shared


def _formats(parser: argparse.ArgumentParser) -> None:
    group = parser.add_mutually_exclusive_group()
    group.add_argument(
        "--format",
        choices=("table", "csv", "json", "parquet"),
        help="form of the result (default: table on a terminal, csv into a pipe)",
    )
    group.add_argument(
        "--json", action="store_const", const="json", dest="format", help="same as --format json"
    )


def _unattended(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("when nobody watches, as from cron")
    group.add_argument(
        "--quiet", action="store_true", help="print nothing when all is well, and one line when not"
    )
    group.add_argument(
        "--log",
        metavar="FILE",
        help="add the run to a log of 1 MiB that keeps five before it; no field values",
    )
    group.add_argument("--summary", metavar="FILE", help="write what the run did as JSON, for monitoring")


def _as_of(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--as-of",
        metavar="VERSION|DATE",
        help="read the store as it was: a store version, or a day (its last commit, local time)",
    )


def _library(library: argparse.ArgumentParser) -> None:
    library.add_argument(
        "action",
        metavar="ACTION",
        choices=("check", "compare", "attention", "replay", "uptake"),
        help="check: faults of a library; compare OLD NEW: what changed; attention: entries, limits and "
        "cases to look at; replay PROPOSAL: recorded values against it; uptake: which pump ran which",
    )
    library.add_argument(
        "names", nargs="*", metavar="NAME",
        help="a library: a file (.csv, .xlsx, .ods), a version in libraries/, or for replay: in-force",
    )  # fmt: skip
    library.add_argument("--month", metavar="M", help="only this month: YYYY-MM, last or this")
    library.add_argument("--from", dest="from_month", metavar="M", help="first month")
    library.add_argument("--to", dest="to_month", metavar="M", help="last month")
    library.add_argument("--list", metavar="NAME", help="which list to print (default: the first)")
    library.add_argument(
        "--out", metavar="DIR", help="write every list as CSV, with what must be said of them"
    )
    library.add_argument("--area", metavar="A", help="replay: the curve of one limit: its care area")
    library.add_argument("--entry", metavar="E", help="the curve's entry")
    library.add_argument("--quantity", metavar="Q", help="the curve's quantity, such as dose_rate")
    library.add_argument("--concentration", metavar="C", help="only the curve of this one, or any")
    library.add_argument("--weights", metavar="W", help="only the curve of this band of weights, or any")
    library.add_argument("--side", choices=("high", "low"), help="the curve's side (default: high)")
    library.add_argument("--figure", metavar="FILE.svg", help="draw the curve")
    _as_of(library)
    _formats(library)


def build_parser() -> argparse.ArgumentParser:
    """Return the whole command line; documents and tests read it too."""
    parser = _Parser(
        prog="dripledger",
        description="What infusion pumps did, from their own event logs, with every record accounted for.",
        epilog=_EXIT_CODES,
        parents=[_common(site=True)],
    )
    parser.add_argument("--version", action="version", version=f"dripledger {__version__}")
    verbs = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, title="commands")

    def verb(name: str, help_text: str, example: str, *, site: bool = True) -> argparse.ArgumentParser:
        return verbs.add_parser(
            name,
            help=help_text,
            description=help_text[0].upper() + help_text[1:] + ".",
            epilog=f"example:\n  {example}",
            parents=[_common(site=site)],
        )

    demo = verb("demo", "make an invented hospital, read its logs and write its report",
                "dripledger demo ./demo", site=False)  # fmt: skip
    demo.add_argument("directory", metavar="DIR", help="new folder for the invented hospital")
    demo.add_argument("--pumps", type=_between(8, 2000), metavar="N", help="number of pumps, 8 to 2000")
    demo.add_argument("--months", type=_between(2, 60), metavar="N", help="number of months, 2 to 60")
    demo.add_argument("--seed", type=_whole, metavar="N", help="the same number gives the same logs")

    init = verb(
        "init", "make a new site folder, commented, ready to edit", "dripledger init ./my-site", site=False
    )
    init.add_argument("directory", metavar="DIR", help="folder to make; nothing in it is overwritten")

    ingest = verb(
        "ingest", "read what is new and print the ledger balance", "dripledger ingest --site ./my-site"
    )
    ingest.add_argument(
        "paths", nargs="*", metavar="PATH", help="files to read (default: everything in inbox/)"
    )
    ingest.add_argument(
        "--source", metavar="NAME", help="read the files by this mapping, whatever their names"
    )
    ingest.add_argument(
        "--redo",
        metavar="SOURCE",
        help="read all files of a source again, from originals/, by today's mapping",
    )
    ingest.add_argument(
        "--forget",
        metavar="SHA256",
        help="take the events of one file out, as where it is another hospital's",
    )
    ingest.add_argument(
        "--no-build", action="store_true", help="leave segments and infusions for a later ingest"
    )
    ingest.add_argument("--wait", type=_seconds, default=30.0, metavar="S",
                        help="seconds to wait for another writer (default: 30)")  # fmt: skip
    _formats(ingest)
    _unattended(ingest)

    balance = verb("balance", "print the ledger balance, by file and in total",
                   "dripledger balance --json")  # fmt: skip
    _as_of(balance)
    _formats(balance)

    quarantine = verb("quarantine", "list the records that wait, with every reason",
                      "dripledger quarantine --reason unknown_unit")  # fmt: skip
    quarantine.add_argument("--reason", metavar="R", help="only records with this reason")
    quarantine.add_argument(
        "--retry", action="store_true", help="read the waiting records again by today's mappings"
    )
    _as_of(quarantine)
    _formats(quarantine)

    mapping = verb("map", "draft a mapping for an unknown export, or try one; writes nothing",
                   "dripledger map draft export.csv > sources/wards.toml")  # fmt: skip
    add_arguments(mapping)
    _formats(mapping)

    clocks = verb("clocks", "propose rows for clocks.csv, with how sure they are; writes nothing",
                  "dripledger clocks estimate --pump P-001")  # fmt: skip
    clocks.add_argument(
        "action", metavar="estimate", choices=("estimate",), help="from times of receipt, for each pump"
    )
    clocks.add_argument("--pump", metavar="P", help="only this pump")
    _as_of(clocks)
    _formats(clocks)

    measures = verb("measures", "print every measure as a table",
                    "dripledger measures --month last --by care_area,month")  # fmt: skip
    months = measures.add_argument_group(
        "months", "YYYY-MM, last or this; without them: every month in the store"
    )
    months.add_argument("--month", metavar="M", help="one month")
    months.add_argument(
        "--from", dest="from_month", metavar="M", help="first month (without --to: up to the newest)"
    )
    months.add_argument(
        "--to", dest="to_month", metavar="M", help="last month (without --from: from the first)"
    )
    measures.add_argument(
        "--by", metavar="COLUMNS", help="groups beside the month, with commas (default: care_area)"
    )
    _as_of(measures)
    _formats(measures)

    _library(verb("library", "check, compare and replay the drug library; see what deserves attention",
                  "dripledger library replay proposal.csv --list cases"))  # fmt: skip

    report = verb("report", "write the report of one month", "dripledger report --month 2026-10")
    report.add_argument("--month", metavar="M", required=True, help="YYYY-MM, last or this")
    report.add_argument(
        "--out", metavar="DIR", help="folder to write (default: reports/YYYY-MM in the site folder)"
    )
    report.add_argument(
        "--share",
        action="store_true",
        help="the form for sharing: small numbers hidden, no list of events, no pump (default folder: "
        "reports/YYYY-MM-shared)",
    )
    _as_of(report)
    _unattended(report)

    trace = verb(
        "trace",
        "say what one pump did, minute by minute, with doubts, amounts and findings",
        "dripledger trace --pump P-1 --from 2026-10-05T08:00 --to 2026-10-05T12:00 --out case.zip",
    )
    trace.add_argument("--case", metavar="ID", help="a case by its id in a report, its workbook or 'library "
                       "attention', instead of --pump, --from and --to")  # fmt: skip
    trace.add_argument("--pump", metavar="P", help="the pump, as its log names it")
    trace.add_argument("--channel", metavar="C", help="one channel (default: all)")
    trace.add_argument("--from", dest="from_time", metavar="T",
                       help="begin: local time such as 2026-10-05T08:00, or with an offset")  # fmt: skip
    trace.add_argument("--to", dest="to_time", metavar="T", help="end")
    trace.add_argument("--at", metavar="T", help="draw a second figure round this moment")
    trace.add_argument("--between", nargs=2, action="append", metavar="T",
                       help="amount pumped between two further moments; may be repeated")  # fmt: skip
    trace.add_argument("--clock-doubt", type=_seconds, default=0.0, metavar="S",
                       help="seconds that the clock may be off either way, beyond clocks.csv")  # fmt: skip
    trace.add_argument("--out", metavar="FILE.zip", help="write the packet: timeline, figures, records")
    trace.add_argument(
        "--similar", metavar="FINDING", help="count the same finding elsewhere, by care area and month"
    )
    _as_of(trace)
    _formats(trace)

    explore = verb(
        "explore",
        "look around in a store in the browser; reachable from this computer alone, stopped with Ctrl-C",
        "dripledger explore --site ./my-site",
    )
    explore.add_argument(
        "notebook",
        nargs="?",
        metavar="NOTEBOOK",
        choices=("explore", "library_review"),
        default="explore",
        help="explore: months, care areas, infusions, events (default); library_review: one limit moved",
    )
    explore.add_argument("--library", metavar="L", help="library_review: a version in libraries/, or a file")
    explore.add_argument(
        "--port", type=_between(1, 65535), metavar="N", help="the port (default: one that is free)"
    )
    explore.add_argument("--no-browser", action="store_true", help="print the address and open nothing")
    explore.add_argument(
        "--as-of", metavar="VERSION|DATE", help="read the store as it was: a store version, or a day"
    )

    verify = verb(
        "verify",
        "check a site or a store (hashes, versions, ledger balance, originals), the files of a report, "
        "or the "
        "packet of a trace (with --site: make it again from that store)",
        "dripledger verify reports/2026-10",
    )
    verify.add_argument(
        "path",
        nargs="?",
        metavar="PATH",
        help="a site folder, a store folder, a report's folder, or a packet (default: the site at hand)",
    )
    verify.add_argument("--original", metavar="FILE", help="prove a packet's records against this export")
    _formats(verify)
    _unattended(verify)

    query = verb(
        "query",
        "run one read-only SELECT over the tables",
        "dripledger query 'select kind, count(*) as n from events group by kind order by n'",
    )
    query.add_argument("sql", metavar="SELECT", help="the statement, in quotes")
    _as_of(query)
    _formats(query)

    status = verb("status", "say what is in the store, how fresh and how complete; list unmapped labels",
                  "dripledger status")  # fmt: skip
    _as_of(status)
    _formats(status)

    verb("upgrade", "bring an older store to this version's format", "dripledger upgrade --site ./my-site")
    return parser


def subcommands(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """Return the parser of each verb by its name."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def parse(argv: Sequence[str]) -> argparse.Namespace:
    """Read a command line.

    Raises
    ------
    UsageError
        If it names a command, option or value that does not exist; the message names the nearest.
    """
    parser = build_parser()
    if not argv:
        parser.print_help(sys.stderr)
        raise UsageError("no command was given", do="See the list above")
    args, unknown = parser.parse_known_args(argv)
    if unknown:
        chosen = subcommands(parser)[args.command]
        known = [
            flag for action in chosen._actions for flag in action.option_strings if flag.startswith("--")
        ]
        flag = next((text for text in unknown if text.startswith("-")), None)
        if flag is None:
            raise UsageError(
                f"{args.command!r} does not take {unknown[0]!r}", do=f"See '{chosen.prog} --help'"
            )
        raise UsageError(
            f"{args.command!r} has no option {flag.partition('=')[0]!r}",
            do=_nearest(flag.partition("=")[0], known),
        )
    return args
