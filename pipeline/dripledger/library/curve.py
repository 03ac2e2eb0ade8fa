"""One limit at every place it could stand: alerts per 100 uses, and warnings that led to a change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import duckdb
import numpy as np
import numpy.typing as npt
import pyarrow as pa

from dripledger.errors import UsageError
from dripledger.library.rows import six_digits

#: Rows of a curve; where more values were recorded, every so-manieth of them.
MOST_POINTS: Final = 60
_Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Curve:
    """A curve as a table, and what it is of.

    `table` has one row a limit, ascending: `limit`, `unit`, `alerts`, `uses`, `alerts_per_100_uses`,
    `within_still_warned` of `within` attempts that were brought within limits after a warning about this
    quantity and side, `is_lower_bound`, and `stands_for`: the limits that are proposed or were logged.
    """

    care_area: str
    entry: str
    quantity: str
    side: str
    unit: str
    table: pa.Table


def curve(con: duckdb.DuckDBPyConnection, care_area: str, entry: str, quantity: str, side: str) -> Curve:
    """Move one limit over all that was recorded.

    Parameters
    ----------
    con
        Connection in which `replay` ran.
    care_area, entry
        Whose limit.
    quantity
        What it is on, such as ``dose_rate``.
    side
        ``high`` or ``low``.

    Returns
    -------
    Curve
        An alert is a recorded value past the limit: entered at a logged alert, or confirmed; the confirmed
        value of an override stands for its alert and counts once. Where the limit is tighter than the loosest
        one that was logged, the count is a lower bound: what was typed and taken back without a warning is
        not in the log. Without any logged limit, so is every row.

    Raises
    ------
    UsageError
        If nothing of it was recorded, or its rows are in several units.
    """
    found = con.execute(
        "select value_6, limit_unit, origin, attempt_id, outcome, logged_side, logged_limit,"
        " entered_value, logged_kind from replay_compared where care_area = ? and entry = ?"
        " and limit_quantity = ? and value_6 is not null and origin in ('alert', 'confirmed')"
        " and not stands_for_an_alert order by value_6, value_key",
        [care_area, entry, quantity],
    ).fetchall()
    if not found:
        raise UsageError(
            f"nothing was recorded of {quantity} of {entry!r} in {care_area!r} that the proposal limits",
            do="See the proposal's rows, and 'dripledger library replay' for entries and areas",
        )
    units = sorted({row[1] for row in found})
    if len(units) > 1:
        raise UsageError(
            f"the rows of {entry!r} in {care_area!r} limit {quantity} in several units: {', '.join(units)}"
        )
    sign = 1.0 if side == "high" else -1.0
    values = np.array([row[0] for row in found], np.float64)
    alerts = [row for row in found if row[2] == "alert" and row[5] == side]
    attempts: dict[str, float] = {}
    for row in alerts:
        if row[4] == "within_limits":
            attempts[row[3]] = max(attempts.get(row[3], -np.inf), sign * row[0])
    farthest = np.array(sorted(attempts.values()), np.float64)
    logged = {_in_unit(row) for row in alerts} - {None}
    loosest = max((sign * limit for limit in logged if limit is not None), default=None)
    proposed = _proposed(con, care_area, entry, quantity, side)
    marks = {**{limit: "logged" for limit in logged if limit is not None}, **proposed}
    uses = _uses(con, care_area, entry)
    limits = _places(values, sign, sorted(marks))
    past = [int((sign * values > sign * limit).sum()) for limit in limits]
    warned = [int((farthest > sign * limit).sum()) for limit in limits]
    table = pa.table(
        {
            "limit": pa.array(limits, pa.float64()),
            "unit": pa.array([units[0]] * len(limits), pa.string()),
            "alerts": pa.array(past, pa.int64()),
            "uses": pa.array([uses] * len(limits), pa.int64()),
            "alerts_per_100_uses": pa.array([100 * n / uses if uses else None for n in past], pa.float64()),
            "within_still_warned": pa.array(warned, pa.int64()),
            "within": pa.array([len(farthest)] * len(limits), pa.int64()),
            "is_lower_bound": pa.array(
                [loosest is None or sign * limit < loosest for limit in limits], pa.bool_()
            ),
            "stands_for": pa.array([marks.get(limit, "") for limit in limits], pa.string()),
        }
    )
    return Curve(care_area, entry, quantity, side, units[0], table)


def _in_unit(row: tuple[object, ...]) -> float | None:
    """Return the logged limit in the unit of the row, by the same factor as the value that was entered."""
    value, limit, entered = row[0], row[6], row[7]
    if not isinstance(value, float) or not isinstance(limit, float) or not isinstance(entered, float):
        return None
    return six_digits(limit * value / entered) if entered and row[8] != "hard" else None


def _proposed(
    con: duckdb.DuckDBPyConnection, care_area: str, entry: str, quantity: str, side: str
) -> dict[float, str]:
    rows = con.execute(
        f"select soft_{side}, hard_{side} from proposed_rows"
        " where care_area = ? and entry = ? and limit_quantity = ? order by row_no",
        [care_area, entry, quantity],
    ).fetchall()
    marks: dict[float, str] = {}
    for soft, hard in rows:
        if hard is not None:
            marks.setdefault(six_digits(hard), f"proposed hard_{side}")
        if soft is not None:
            marks[six_digits(soft)] = f"proposed soft_{side}"
    return marks


def _uses(con: duckdb.DuckDBPyConnection, care_area: str, entry: str) -> int:
    (row,) = con.execute(
        "select count(*) from library_programmings where can_log and care_area = ? and entry = ?",
        [care_area, entry],
    ).fetchall()
    return int(row[0])


def _places(values: _Floats, sign: float, marks: list[float]) -> list[float]:
    """Return where the limit is tried: recorded values from the middle outwards, and the marked places."""
    outer = np.unique(values[sign * values >= np.median(sign * values)])
    if len(outer) > MOST_POINTS:
        outer = outer[np.unique(np.linspace(0, len(outer) - 1, MOST_POINTS).round().astype(np.int64))]
    return sorted({*(float(value) for value in outer), *marks})
