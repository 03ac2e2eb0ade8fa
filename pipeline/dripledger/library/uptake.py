"""`library uptake`: which pump ran which library when, how fast it arrived, and what changed with it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

import duckdb
import numpy as np
import pyarrow as pa

from dripledger.library.attention import override_share
from dripledger.library.compare import compare_rows
from dripledger.library.relations import build, fetch, put
from dripledger.library.versions import Library
from dripledger.site import Site
from dripledger.statistics import ClusteredRate, clustered_rate, clustered_ratio, newcombe

UPTAKE_CAUTIONS: Final = (
    "For quality improvement, not for decisions at the bedside, and no advice on a dose or a limit.",
    "What a pump ran is what its log names; a pump that never names a version is in no count of pumps. Its "
    "time ends at the first row that names the release, which may be later than the installation. Pumps that "
    "were heard first after a release was there are left out of its times (pumps_left_out): nobody knows "
    "when they got it.",
    "Before and after a release other things change too, as seasons, patients and staff; and a limit that "
    "was changed because of its many alerts would have had fewer by itself (regression to the mean): a "
    "difference is no proof of a cause. 'Before' and 'after' are what a pump ran, so they overlap in time.",
)

LISTS: Final = ("releases", "pumps", "received", "stale", "effect")
_SHARE: Final = ("override_share", "override_low95", "override_high95")
_RATIO: Final = ("alert_rate_ratio", "alert_rate_ratio_low95", "alert_rate_ratio_high95")
_DIFFERENCE: Final = (
    "override_share_difference", "override_share_difference_low95", "override_share_difference_high95",
)  # fmt: skip
#: Shares of the pumps, in per cent, whose times are asked for.
_SHARES: Final = (50, 90, 99)
_EXTRA: Final = (
    *(f"alerts_per_100_uses{part}_{w}" for w in ("before", "after") for part in ("", "_low95", "_high95")),
    *_RATIO,
    *(f"{name}_{when}" for when in ("before", "after") for name in _SHARE),
    *_DIFFERENCE,
)
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
        The tables of `LISTS`: a share of the pumps that was not reached in the `days_looked` has no days, and
        `note` says so; days are days, shares fractions 0-1, rates per 100 uses. Effects carry 95 %
        intervals: rates that count infusions and not alerts (`clustered_rate`), their ratio after / before
        (`clustered_ratio`), shares by Wilson and their difference after - before by Newcombe. A figure whose
        denominator is under the site's minimum is null, and so is a limit that is infinite.
    """
    put(con, "changed_entries", pa.Table.from_pylist(list(_changed(libraries)), schema=_CHANGED))
    build(con, "uptake_clusters", *(f"uptake_{name}" for name in LISTS))
    found = {name: fetch(con, f"uptake_{name}") for name in LISTS}
    found["releases"] = _with_note(found["releases"])
    found["effect"] = _effect(con, found["effect"], site.settings.minimums.starts)
    return found


def _with_note(releases: pa.Table) -> pa.Table:
    """Add what the times cannot say: shares that were not reached, and in how many days of looking."""
    notes = []
    for row in releases.to_pylist():
        missed = [f"{share} %" for share in _SHARES if row[f"days_to_{share}"] is None]
        if not row["pumps"]:
            notes.append("no pump was heard before it was there")
        elif missed:
            notes.append(f"{', '.join(missed)}: not reached in {round(row['days_looked'], 1):g} days")
        else:
            notes.append("")
    return releases.append_column("note", pa.array(notes, pa.string()))


def _changed(libraries: Sequence[Library]) -> Iterator[dict[str, Any]]:
    """Yield each entry that a release changed, with what it changed."""
    for number, (old, new) in enumerate(itertools.pairwise(libraries), start=1):
        told: dict[tuple[str, str], list[str]] = {}
        for change in compare_rows(old.rows, new.rows):
            text = f"{change.what} {change.change}"
            if change.old is not None and change.new is not None:
                text += f" ({change.old:g} to {change.new:g} {change.unit})"
            elif change.what == "dosing_unit":
                text += f" ({change.unit})"
            told.setdefault((change.care_area, change.entry), []).append(text)
        for (area, entry), texts in sorted(told.items()):
            changes = "; ".join(dict.fromkeys(texts))
            yield {"old_version": old.version, "new_version": new.version, "care_area": area,
                   "entry": entry, "changes": changes, "release_no": number}  # fmt: skip


def _effect(con: duckdb.DuckDBPyConnection, table: pa.Table, least: int) -> pa.Table:
    """Add rates and shares of both sides, their ratio and difference, and the intervals."""
    clusters: dict[tuple[str, str, str], list[tuple[int, int]]] = {}
    for area, entry, version, uses, alerts in con.execute(
        "select care_area, entry, library_version, uses, limit_alerts from uptake_clusters"
    ).fetchall():
        clusters.setdefault((area, entry, version), []).append((uses, alerts))
    rows = []
    for row in table.to_pylist():
        told: dict[str, float | None] = {}
        rates = []
        for when, version in (("before", row["old_version"]), ("after", row["new_version"])):
            of_side = clusters.get((row["care_area"], row["entry"], version), [])
            if row[f"uses_{when}"] >= least:
                rates.append(_rate(of_side))
                told |= _named("alerts_per_100_uses", when, *(100 * v for v in rates[-1][:3]))
            known = row[f"outcome_known_{when}"]
            share = override_share(row[f"overridden_{when}"], known, least)
            told |= {f"{name}_{when}": share[name] for name in _SHARE}
        if len(rates) == 2:
            ratio = clustered_ratio(rates[1], rates[0])
            told |= dict(zip(_RATIO, map(_finite, ratio), strict=True))
        if min(row["outcome_known_before"], row["outcome_known_after"]) >= least:
            one, two = ((row[f"overridden_{w}"], row[f"outcome_known_{w}"]) for w in ("after", "before"))
            low, high = newcombe(*one, *two)
            difference = one[0] / one[1] - two[0] / two[1]
            told |= dict(zip(_DIFFERENCE, (difference, float(low), float(high)), strict=True))
        rows.append(told)
    for name in _EXTRA:
        table = table.append_column(name, pa.array([told.get(name) for told in rows], pa.float64()))
    return table


def _rate(of_side: Sequence[tuple[int, int]]) -> ClusteredRate:
    uses, alerts = np.array(of_side, np.float64).T
    return clustered_rate(alerts, uses, np.arange(len(of_side)))


def _named(name: str, when: str, *values: float) -> dict[str, float | None]:
    names = (f"{name}_{when}", f"{name}_low95_{when}", f"{name}_high95_{when}")
    return dict(zip(names, map(_finite, values), strict=True))


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
