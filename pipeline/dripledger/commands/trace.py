"""`trace`: the incident timeline of one pump, its packet, and where else the same was found."""

from __future__ import annotations

from argparse import Namespace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from dripledger.commands.output import chosen_format, counted, emit, say
from dripledger.errors import UsageError, printable

if TYPE_CHECKING:
    from dripledger.incidents import Asked
    from dripledger.incidents.model import Trace
    from dripledger.site import Site
    from dripledger.store import Snapshot

#: Longest that `--clock-doubt` may be, seconds: a day; a clock that is further off belongs into clocks.csv.
_MOST_DOUBT_S = 86400.0


def run(args: Namespace, site: Site, snapshot: Snapshot) -> int:
    """Trace a pump, or look for the siblings of a finding.

    Parameters
    ----------
    args
        The command line.
    site, snapshot
        The store as it is read.
    """
    from dripledger.measures import refuse_unbuilt, site_as_published

    form = chosen_format(args.format)
    if snapshot.version == 0:
        raise UsageError(
            "nothing has been committed yet", where=site.store, do="Run 'dripledger ingest' first"
        )
    refuse_unbuilt(snapshot)
    # what was declared at that commit, so that one version always gives the same bytes
    site = site_as_published(site, snapshot)
    if args.similar is not None:
        return _similar(args, site, snapshot, form)
    asked = _asked(args, site, snapshot)
    if args.out is None:
        from dripledger.incidents import trace

        told = trace(site, snapshot, asked)
    else:
        from dripledger.incidents import make_packet, write_packet

        out = Path(args.out)
        data, told = make_packet(site, snapshot, asked)
        write_packet(out, data)
    _tell(told, site)
    if args.out is not None:
        print(args.out)
        return 0
    from dripledger.incidents.tables import timeline_table

    emit(timeline_table(told, site.zone), form, document=told.as_json())
    return 0


def _asked(args: Namespace, site: Site, snapshot: Snapshot) -> Asked:
    from dripledger.incidents import Asked, find_listed, parse_moment

    given = (("--pump", args.pump), ("--from", args.from_time), ("--to", args.to_time))
    for option, value in given:
        if value is None and args.case is None:
            raise UsageError(f"this is missing: {option}", do="See 'dripledger trace --help'")
        if value is not None and args.case is not None:
            raise UsageError(f"--case says which pump and when, and takes no {option}")

    def moment(text: str, where: str) -> datetime:
        return parse_moment(text, site.zone, where)

    if not 0 <= args.clock_doubt <= _MOST_DOUBT_S:
        raise UsageError(
            "is more than a day", where="--clock-doubt", do="A clock that far off belongs into clocks.csv"
        )
    pairs = [(moment(a, "--between"), moment(b, "--between")) for a, b in args.between or ()]
    for begins, ends in pairs:
        if ends < begins:
            raise UsageError("the second moment is before the first", where="--between")
    at = None if args.at is None else moment(args.at, "--at")
    if args.case is None:
        pump, begins, ends = args.pump, moment(args.from_time, "--from"), moment(args.to_time, "--to")
    else:
        case = find_listed(site, snapshot, args.case)
        pump, begins, ends, at = case.pump_id, case.begins_at, case.ends_at, at or case.at
    return Asked(
        pump,
        args.channel,
        begins,
        ends,
        at,
        tuple(pairs),
        float(args.clock_doubt),
    )


def _tell(told: Trace, site: Site) -> None:
    """Say what was found, and the cautions, on stderr: the result itself stays a table."""
    from dripledger.incidents.model import CAUTIONS
    from dripledger.incidents.moments import local_text
    from dripledger.incidents.page import bounds_text, empty_sentence

    if told.is_empty:
        say(printable(empty_sentence(told, site.zone)))
        return
    for finding in told.findings:
        say(printable(f"{finding.word}: {local_text(finding.at, site.zone)} {finding.what} [{finding.name}]"))
    for one in told.pumped:
        span = f"{local_text(one.begins_at, site.zone)} to {local_text(one.ends_at, site.zone)}"
        parts = [
            bounds_text(one.volume_ml, "mL"),
            *(f"{d.entry}: {bounds_text(d.amount, d.unit)}" for d in one.drugs),
        ]
        say(printable(f"channel {one.channel or 'pump'}, {span}: pumped {'; '.join(parts)}."))
    lines = counted(len(told.lines), "line", "lines")
    cautions = " ".join([CAUTIONS[0], *told.own_cautions])
    say(f"{lines}, {counted(len(told.findings), 'finding', 'findings')}. {cautions}")


def _similar(args: Namespace, site: Site, snapshot: Snapshot, form: str) -> int:
    from dripledger.incidents import similar

    for option, value in (("--case", args.case), ("--pump", args.pump), ("--from", args.from_time),
                          ("--to", args.to_time), ("--out", args.out)):  # fmt: skip
        if value is not None:
            raise UsageError(f"--similar looks through the whole store and takes no {option}")
    table, sentence = similar(site, snapshot, args.similar)
    emit(table, form)
    say(printable(sentence))
    return 0
