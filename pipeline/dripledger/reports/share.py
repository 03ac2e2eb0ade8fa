"""The form for sharing: small numbers hidden, and whatever would give them back by subtraction.

Per measure and month the areas with the facility as their total are one table, the outcomes of attempts by
area another. Measures that follow from each other are hidden together, and of two measures of the same
starts, programmings or attempts that differ by a small number one is hidden. Of hours and minutes it is the
infusions behind them that are few. What several reports say together is not protected.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from dripledger.measures import ROWS, Amount, Form
from dripledger.measures.limit_definitions import OUTCOME_WORDS
from dripledger.reports.hours_behind import HoursBehind
from dripledger.reports.near import near
from dripledger.reports.share_hours import hide_hours
from dripledger.reports.together import TOGETHER
from dripledger.statistics import SMALL_MOST, suppress

Row = dict[str, Any]

#: What the shared form holds beside the outcomes; the rest splits these further.
SHARED: Final = (
    *TOGETHER,
    "user_rate_changes",
    "stale_library_share",
    "fleet_coverage",
    "log_completeness",
    "quarantine_share",
    "unmapped_share",
    "clock_corrected_share",
)
_OUTCOMES: Final = ("outcomes_soft", "outcomes_hard")
_LINES: Final = tuple(f"{name}_{key}" for name in _OUTCOMES for key in OUTCOME_WORDS)
#: Records and pumps, not what was done to a patient.
_OPEN: Final = (
    "fleet_coverage",
    "log_completeness",
    "quarantine_share",
    "unmapped_share",
    "clock_corrected_share",
)
REASON: Final = "small numbers are hidden, and what would give them back"


def hide_small(
    by_area: Sequence[Row], facility: Sequence[Row], behind: Mapping[str, HoursBehind]
) -> tuple[list[Row], list[Row]]:
    """Return both tables of measures as they may be shared.

    Parameters
    ----------
    by_area, facility
        Rows of the table of measures by care area, and without groups, of the same months.
    behind
        Month -> the infusions behind its hours; of a month that is not there all rows in hours are hidden.

    Returns
    -------
    tuple of list of dict
        The rows of shared measures. A hidden row has no number, status ``hidden`` and a reason; a row under
        the minimum shows no count either. Reasons that tell counts are left out.
    """
    names = [*SHARED, *_LINES]
    areas = [_plain(row) for row in by_area if row["measure"] in names]
    whole = [_plain(row) for row in facility if row["measure"] in names]
    for month in sorted({row["month"] for row in whole}):
        cells = {(r["measure"], r["care_area"]): r for r in areas if r["month"] == month and r["care_area"]}
        totals = {r["measure"]: r for r in whole if r["month"] == month}
        hidden: set[tuple[str, str]] = set()
        for measure in SHARED:
            if measure not in _OPEN and measure in totals:
                hidden |= _one(measure, cells, totals[measure])
        for name in _OUTCOMES:
            hidden |= _outcomes(name, cells, totals)
        rows = {**cells, **{(measure, ""): row for measure, row in totals.items()}}
        places = list(dict.fromkeys(place for _, place in rows))
        hidden |= _tied(hidden, rows, places)
        shown = {
            key: row
            for key, row in rows.items()
            if key not in hidden and row["numerator"] is not None and row["status"] != "small"
        }
        for measure, also in near(shown, places, _LINES).items():
            hidden |= _one(measure, cells, totals[measure], also)
        hidden |= hide_hours(behind.get(month), rows, hidden)
        for measure, area in hidden:
            if (measure, area) in rows:
                _hide(rows[measure, area])
    for row in (*areas, *whole):
        if row["status"] == "small":
            _hide(row)
    return areas, whole


def _plain(row: Row) -> Row:
    made = dict(row)
    if made["status"] in ("ok", "provisional", "small", "no_data"):
        made["reason"] = ""
    elif made["reason"].startswith("left out"):
        made["reason"] = "left out: not known, or from a source that does not record it"
    return made


def _hide(row: Row) -> None:
    row.update(
        numerator=None, denominator=None, value=None, low95=None, high95=None, status="hidden", reason=REASON
    )


def _counted(rows: Iterable[Row | None], number: Callable[[Row], Decimal]) -> list[int]:
    return [0 if row is None or row["numerator"] is None else int(number(row)) for row in rows]


def _with_rest(table: list[int], whole: int) -> list[int]:
    """Add what the areas leave of the total: it is in no row, and yet told by subtraction."""
    return [*table, max(0, whole - sum(table))]


def _one(
    measure: str, cells: dict[tuple[str, str], Row], total: Row, also: Collection[str] = ()
) -> set[tuple[str, str]]:
    """Hide within one measure: its numerators, what is left of its denominators, and the denominators.

    Places in `also` are hidden besides, and cannot be worked out from the others' denominators.
    """
    declared = ROWS[measure][0]
    areas = [area for name, area in cells if name == measure]
    rows = [cells[measure, area] for area in areas]
    if not rows or declared.counted is not Amount.COUNT:
        return set()
    numbers: list[Callable[[Row], Decimal]] = [lambda r: r["numerator"]]
    if declared.form is Form.SHARE and declared.over is Amount.COUNT:
        numbers += [lambda r: r["denominator"] - r["numerator"], lambda r: r["denominator"]]
    hidden: set[tuple[str, str]] = set()
    for number in numbers:
        table = _with_rest(_counted(rows, number), *_counted([total], number))
        asked = [number is numbers[-1] and place in also for place in (*areas, None, "")]
        found = suppress(table, also=asked)
        hidden |= {
            (measure, area) for area, is_hidden in zip(areas, found.cells[:-1], strict=True) if is_hidden
        }
        if np.atleast_1d(found.row_totals)[0] or _is_small(sum(table)):
            hidden.add((measure, ""))
    return hidden


def _is_small(count: int) -> bool:
    return 1 <= count <= SMALL_MOST


def _outcomes(name: str, cells: dict[tuple[str, str], Row], totals: dict[str, Row]) -> set[tuple[str, str]]:
    """Hide within the table of outcomes by area; where a total of an area goes, its whole line goes."""
    keys = [f"{name}_{key}" for key in OUTCOME_WORDS]
    areas = sorted({area for measure, area in cells if measure in keys})
    if not areas or keys[0] not in totals:
        return set()
    table = [_counted((cells.get((key, area)) for key in keys), lambda r: r["numerator"]) for area in areas]
    whole = _counted((totals.get(key) for key in keys), lambda r: r["numerator"])
    table.append([max(0, all_in - sum(column)) for all_in, *column in zip(whole, *table, strict=True)])
    gone = _lines(np.array(table))
    lines = [*enumerate(areas), (-1, "")]
    return {(key, area) for i, area in lines for j, key in enumerate(keys) if gone[i, j] or gone[i, -1]}


def _lines(table: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Hide in a table of outcomes, its totals behind it; no total less what is shown of its line is small."""
    full = np.pad(table, (0, 1))
    full[:-1, -1], full[-1, :-1], full[-1, -1] = table.sum(axis=1), table.sum(axis=0), table.sum()
    also = np.zeros(full.shape, np.bool_)
    while True:
        found = suppress(table, also=also)
        gone = np.zeros(full.shape, np.bool_)
        gone[:-1, :-1], gone[:-1, -1], gone[-1, :-1] = found.cells, found.row_totals, found.column_totals
        gone[-1, -1] = found.grand_total
        told = False
        # the last line but one is what the areas leave of the total: no row shows it
        for line in (*range(len(table) - 1), -1):
            counts, is_gone = full[line, :-1], gone[line, :-1]
            if not gone[line, -1] and _is_small(int(counts[is_gone].sum())):
                left = np.flatnonzero(~is_gone & (counts > 0))
                also[line, min(left, key=lambda j: counts[j]) if left.size else -1] = told = True
        if not told:
            return gone


def _tied(
    hidden: set[tuple[str, str]], rows: dict[tuple[str, str], Row], places: Iterable[str]
) -> set[tuple[str, str]]:
    """Hide what would give hidden outcomes back: shares of the same attempts, and then their totals.

    But for few, an attempt that met a limit is a programming that did: both are hidden in the same places.
    """
    more: set[tuple[str, str]] = set()
    for area in places:
        gone = {measure for measure, where in hidden if where == area}
        for kind in ("soft", "hard"):
            line = {f"outcomes_{kind}_{key}" for key in OUTCOME_WORDS}
            if not any(row["numerator"] for measure in line if (row := rows.get((measure, area)))):
                continue
            if line <= gone or f"{kind}_alert_share" in gone:
                gone |= {*line, f"{kind}_alert_share"}
        more |= {(measure, area) for measure in gone}
        soft = {f"outcomes_soft_{key}" for key in ("overridden", "unknown")}
        left = {f"{name}_{key}" for name in _OUTCOMES for key in ("left_library", "unknown")}
        if gone & soft:
            more |= {("override_share", area), ("override_share", "")}
        if gone & left:
            more |= {("left_library_share", area), ("left_library_share", "")}
    return more - hidden
