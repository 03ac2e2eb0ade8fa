"""What a store version can be asked for: whether it can be measured at all, and which months it holds."""

from __future__ import annotations

from collections.abc import Sequence

from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.measures.inputs import months_in_store
from dripledger.measures.months import Month
from dripledger.site import Site
from dripledger.store import NOT_BUILT, Snapshot


def refuse_unbuilt(snapshot: Snapshot) -> None:
    """Refuse a store version whose segments and infusions do not follow from its events.

    Raises
    ------
    UsageError
        If its commit says that they were not built: figures would be missing or of an older state.
    """
    if snapshot.row is not None and snapshot.row.note == NOT_BUILT:
        raise UsageError(
            f"store version {snapshot.version} holds events whose infusions have not been built, so nothing "
            "can be measured from it",
            where=snapshot.root,
            do="Run 'dripledger ingest' (without --no-build), or name a version that is built with --as-of",
        )


def store_months(site: Site, snapshot: Snapshot) -> list[Month]:
    """Return the months of a store version in a connection of its own; see `months_in_store`."""
    with connect() as con:
        snapshot.attach(con, ["events", "ingests"])
        return months_in_store(con, site)


def refuse_outside(month: Month, known: Sequence[Month], where: str = "--month") -> None:
    """Refuse a month that the store knows nothing of.

    Parameters
    ----------
    month
        The month that is asked for.
    known
        The months of the store, sorted (`months_in_store`): silent ones between two others are among them.
    where
        The option that names the month.

    Raises
    ------
    UsageError
        With the span that the store holds.
    """
    if not known:
        raise UsageError(
            f"{month} cannot be measured: no event has reached the ledger yet",
            where=where,
            do="Run 'dripledger ingest'; see 'dripledger quarantine' for what waits",
        )
    if month not in known:
        raise UsageError(
            f"{month} lies outside what the store holds events of: {span_text(known)}",
            where=where,
            do="Give a month inside, or ingest the logs of that month first",
        )


def span_text(known: Sequence[Month]) -> str:
    """Return the months as stretches: '2025-08 to 2026-10'; a long silence parts two of them."""
    stretches: list[list[Month]] = []
    for month in known:
        if stretches and month.minus(stretches[-1][1]) == 1:
            stretches[-1][1] = month
        else:
            stretches.append([month, month])
    return ", ".join(f"{a}" if a == b else f"{a} to {b}" for a, b in stretches)
