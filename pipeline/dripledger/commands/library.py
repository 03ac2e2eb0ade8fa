"""`library`: the drug library checked, compared, and held against what the pumps recorded."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from dripledger.commands.figures import for_people, narrower, sentence
from dripledger.commands.output import chosen_format, counted, emit, say
from dripledger.errors import UsageError, VerificationError
from dripledger.output import terminal_width

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

    from dripledger.library.relations import Span
    from dripledger.measures import Month
    from dripledger.site import Site
    from dripledger.store import Snapshot

#: Options that only some actions take.
_ONLY = {
    "list": ("attention", "replay", "uptake"), "out": ("attention", "replay", "uptake"), "area": ("replay",),
    "entry": ("replay",), "quantity": ("replay",), "side": ("replay",), "figure": ("replay",),
    "concentration": ("replay",), "weights": ("replay",),
    "month": ("attention", "replay", "uptake"), "from_month": ("attention", "replay", "uptake"),
    "to_month": ("attention", "replay", "uptake"), "as_of": ("attention", "replay", "uptake"),
}  # fmt: skip
#: How many names each action takes, and what they are.
_NAMES = {
    "check": (0, 99, "files to check (none: all in libraries/)"),
    "compare": (2, 2, "two libraries, OLD and NEW: files or versions in libraries/"),
    "attention": (0, 0, "no further name"),
    "replay": (1, 1, "the proposed library: a file, a version in libraries/, or in-force"),
    "uptake": (0, 0, "no further name"),
}
#: The libraries that were in force, each for what ran it: a check of library files against the log.
IN_FORCE = "in-force"

_Open = Callable[[Namespace], "tuple[Site, Snapshot]"]
_Months = Callable[[Namespace, "Site", "Snapshot"], "list[Month] | None"]


def run(args: Namespace, site: Site, open_store: _Open, months: _Months) -> int:
    """Do what was asked of the library.

    Parameters
    ----------
    args
        The command line.
    site
        The site as it stands today.
    open_store, months
        Give the store as it is read, and the months that were asked for.
    """
    chosen_format(args.format)
    _refuse(args)
    if args.action == "check":
        return _check(args, site)
    if args.action == "compare":
        return _compare(args, site)
    site, snapshot = open_store(args)
    span = _span(site, snapshot, months(args, site, snapshot))
    tables, cautions, figure = _ask(args, site, snapshot, span)
    chosen = args.list or next(iter(tables))
    if chosen not in tables:
        raise UsageError(
            f"library {args.action} has no list {chosen!r}",
            where="--list",
            do=f"There are: {', '.join(tables)}",
        )
    if figure is not None and args.figure is not None:
        Path(args.figure).write_text(figure, encoding="utf-8")
    if args.out is not None:
        _write(Path(args.out), tables, cautions, figure, site)
    _show(tables[chosen], args.format, site)
    others = ", ".join(name for name in tables if name != chosen)
    for text in (f"library {args.action}, {chosen}, {span.text}; other lists: {others}.", *cautions):
        say(sentence(text))
    return 0


def _refuse(args: Namespace) -> None:
    """Refuse names and options that the action does not take."""
    least, most, told = _NAMES[args.action]
    if not least <= len(args.names) <= most:
        raise UsageError(f"library {args.action} takes {told}", do="See 'dripledger library --help'")
    for name, actions in _ONLY.items():
        if getattr(args, name) is not None and args.action not in actions:
            option = name.removesuffix("_month").replace("_", "-")
            raise UsageError(f"library {args.action} has no option '--{option}'")
    place = [args.area, args.entry, args.quantity]
    if (
        args.action == "replay"
        and any(p is not None for p in (*place, args.side, args.figure, args.concentration, args.weights))
        and None in place
    ):
        raise UsageError("a curve is of one limit: name it with --area, --entry and --quantity")


def _check(args: Namespace, site: Site) -> int:
    from dripledger.library.check import check_files
    from dripledger.library.findings import as_table
    from dripledger.library.load import library_files

    paths = [Path(name) for name in args.names] or library_files(site)
    if not paths:
        raise UsageError("there is no library to check", where=site.libraries, do="Name a file")
    findings = check_files(paths, site)
    _show(as_table(findings), args.format, site)
    count = {kind: sum(f.severity == kind for f in findings) for kind in ("error", "warning", "note")}
    told = ", ".join(counted(number, kind, f"{kind}s") for kind, number in count.items())
    say(sentence(f"{counted(len(paths), 'file', 'files')} checked: {told}."))
    say(sentence("A check says where rows contradict each other; it does not say what a limit should be."))
    if count["error"]:
        raise VerificationError("the library has errors", do="Correct the rows above, and check again")
    return 0


def _compare(args: Namespace, site: Site) -> int:
    from dripledger.library.compare import as_table, compare_rows, count_apart
    from dripledger.library.versions import named_library

    old, new = (named_library(site, name) for name in args.names)
    changes = compare_rows(old.rows, new.rows)
    _show(as_table(changes), args.format, site)
    kinds = {kind: sum(change.change == kind for change in changes) for kind in _changes()}
    told = ", ".join(f"{number} {kind}" for kind, number in kinds.items())
    say(sentence(f"{old.version} to {new.version}: {told}."))
    say(sentence("Loosened warns about less than before, tightened about more; neither is better by itself."))
    apart = count_apart(changes)
    if apart:
        say(
            sentence(
                f"{apart} {'row holds' if apart == 1 else 'rows hold'} for concentrations or weights that "
                "only one of the two has: their limits are not set against those of the other, and may be "
                "looser or tighter"
            )
        )
    return 0


def _show(table: pa.Table, form: str | None, site: Site) -> None:
    """Print a list: on a terminal rounded, and without columns that say nothing, which are named."""
    if chosen_format(form) != "table":
        emit(table, form, zone=site.zone)
        return
    shown, left_out = for_people(table)
    shown, same = narrower(shown, terminal_width(sys.stdout) if sys.stdout.isatty() else None, site.zone)
    emit(shown, form, zone=site.zone)
    if same:
        told = "; ".join(f"{name}: {value}" for name, value in same.items())
        say(sentence(f"The same in every row, and not shown there: {told}."))
    if left_out:
        say(sentence(f"Empty or 0 in every row, and not shown: {', '.join(left_out)}."))


def _changes() -> Sequence[str]:
    from dripledger.library.compare import CHANGES

    return CHANGES


def _span(site: Site, snapshot: Snapshot, asked: list[Month] | None) -> Span:
    from dripledger.library.relations import Span
    from dripledger.measures import refuse_unbuilt, store_months

    refuse_unbuilt(snapshot)
    months = asked if asked is not None else store_months(site, snapshot)
    if not months:
        raise UsageError("the store holds no event yet", where=site.store, do="Run 'dripledger ingest' first")
    first, last = months[0], months[-1]
    text = str(first) if first == last else f"{first} to {last}"
    return Span(first.begins_at(site.zone), last.plus(1).begins_at(site.zone), text)


def _ask(
    args: Namespace, site: Site, snapshot: Snapshot, span: Span
) -> tuple[Mapping[str, pa.Table], Sequence[str], str | None]:
    """Return the lists of an action, what must be said with them, and a figure."""
    from dripledger.engine import connect
    from dripledger.library.relations import prepare
    from dripledger.library.versions import libraries_on_file, newest
    from dripledger.store import spill_folder

    with spill_folder(site.store, "library") as spill, connect(spill) as con:
        prepare(con, site, snapshot, span)
        if args.action == "replay":
            return _replay(args, site, con)
        libraries = libraries_on_file(site)
        if args.action == "uptake":
            from dripledger.library.uptake import UPTAKE_CAUTIONS, uptake

            return uptake(con, site, libraries), UPTAKE_CAUTIONS, None
        from dripledger.library.attention import ATTENTION_CAUTIONS, attention
        from dripledger.library.reviews import told, unknown_reviews

        current = newest(libraries, span.ends_at)
        others = [row for library in libraries if library is not current for row in library.rows]
        tables = attention(con, site, current.rows if current else (), others)
        if unknown := told(unknown_reviews(con, site)):
            say(sentence(unknown))
        return tables, ATTENTION_CAUTIONS, None


def _replay(
    args: Namespace, site: Site, con: duckdb.DuckDBPyConnection
) -> tuple[Mapping[str, pa.Table], Sequence[str], str | None]:
    from dripledger.library.replay import REPLAY_CAUTIONS, replay
    from dripledger.library.versions import libraries_on_file, named_library

    (name,) = args.names
    if name == IN_FORCE:
        rows = [row for library in libraries_on_file(site) for row in library.rows]
    else:
        rows = list(named_library(site, name).rows)
    found = replay(con, rows, by_version=name == IN_FORCE)
    tables = {
        "summary": found.summary,
        "cases": found.cases,
        "not_comparable": found.not_comparable,
        "centiles": found.centiles,
    }
    if args.area is None:
        return tables, REPLAY_CAUTIONS, None
    from dripledger.library.curve import curves
    from dripledger.library.figure import draw_curves

    told = curves(
        con, args.area, args.entry, args.quantity, args.side or "high", args.concentration, args.weights
    )
    figure = draw_curves(told) if args.figure is not None or args.out is not None else None
    # as the library writes them, however they were typed
    named = told.drawn[0]
    cautions = (f"Of {named.entry} in {named.care_area} {told.text}.", *REPLAY_CAUTIONS)
    return {"curve": told.table, "left_out": told.left_out, **tables}, cautions, figure


def _write(
    folder: Path, tables: Mapping[str, pa.Table], cautions: Sequence[str], figure: str | None, site: Site
) -> None:
    """Write every list as CSV, and the cautions and the figure beside them."""
    from dripledger.output import write_table

    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            write_table(table, file, "csv", site.zone)
    (folder / "cautions.txt").write_text("\n\n".join(cautions) + "\n", encoding="utf-8")
    if figure is not None:
        (folder / "curve.svg").write_text(figure, encoding="utf-8")
