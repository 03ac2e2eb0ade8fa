"""`library uptake`: which pump ran which library when, how fast it arrived, and what changed with it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import Any, Final

import duckdb
import pyarrow as pa

from dripledger.library.attention import override_share
from dripledger.library.compare import compare_rows
from dripledger.library.relations import build, fetch, put
from dripledger.library.versions import Library
from dripledger.site import Site

UPTAKE_CAUTIONS: Final = (
    "For quality improvement, not for decisions at the bedside, and no advice on a dose or a limit.",
    "What a pump ran is what its log names; a pump that never names a version is in no count of pumps.",
    "Before and after a release other things change too: the difference is no proof of a cause.",
)

LISTS: Final = ("releases", "pumps", "received", "stale", "effect")
_CHANGED: Final = pa.schema(
    [
        *((name, pa.string()) for name in ("old_version", "new_version", "care_area", "entry", "changes")),
        ("release_no", pa.int64()),
    ]
)


def uptake(con: duckdb.DuckDBPyConnection, site: Site, libraries: Sequence[Library]) -> dict[str, pa.Table]:
    """Make every list.

    Parameters
    ----------
    con
        Connection in which `relations.prepare` ran.
    site
        For the minimums and the days after which a library is out of date.
    libraries
        The libraries on file, in the order of their publication.

    Returns
    -------
    dict of str to pyarrow.Table
        The tables of `LISTS`: days are days, shares fractions 0-1, rates per 100 uses.
    """
    put(con, "changed_entries", pa.Table.from_pylist(list(_changed(libraries)), schema=_CHANGED))
    build(con, *(f"uptake_{name}" for name in LISTS))
    found = {name: fetch(con, f"uptake_{name}") for name in LISTS}
    found["effect"] = _effect(found["effect"], site.settings.minimums.starts)
    return found


def _changed(libraries: Sequence[Library]) -> Iterator[dict[str, Any]]:
    """Yield each entry that a release changed, with what it changed."""
    for number, (old, new) in enumerate(itertools.pairwise(libraries), start=1):
        told: dict[tuple[str, str], list[str]] = {}
        for change in compare_rows(old.rows, new.rows):
            text = f"{change.what} {change.change}"
            if change.old is not None and change.new is not None:
                text += f" ({change.old:g} to {change.new:g} {change.unit})"
            told.setdefault((change.care_area, change.entry), []).append(text)
        for (area, entry), texts in sorted(told.items()):
            changes = "; ".join(dict.fromkeys(texts))
            yield {"old_version": old.version, "new_version": new.version, "care_area": area,
                   "entry": entry, "changes": changes, "release_no": number}  # fmt: skip


def _effect(table: pa.Table, least: int) -> pa.Table:
    extra: dict[str, list[float | None]] = {}
    for row in table.to_pylist():
        for when in ("before", "after"):
            uses = row[f"uses_{when}"]
            rate = 100 * row[f"alerts_{when}"] / uses if uses >= least else None
            share = override_share(row[f"overridden_{when}"], row[f"outcome_known_{when}"], least)
            extra.setdefault(f"alerts_per_100_uses_{when}", []).append(rate)
            extra.setdefault(f"override_share_{when}", []).append(share["override_share"])
    for kind in ("alerts_per_100_uses", "override_share"):
        for when in ("before", "after"):
            name = f"{kind}_{when}"
            table = table.append_column(name, pa.array(extra.get(name, []), pa.float64()))
    return table
