"""One limit at every place it could stand: alerts per 100 uses, and warnings that led to a change.

A limit is one row of a library: an entry in a care area at one concentration and for one band of weights.
Values of another strength fall under another limit, so each row has a curve of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Final

import duckdb
import numpy as np
import numpy.typing as npt
import pyarrow as pa

from dripledger.errors import UsageError
from dripledger.library.relations import build, fetch, put
from dripledger.library.rows import six_digits
from dripledger.lists import fold

#: Rows of a curve; where more values were recorded, every so-manieth of them.
MOST_POINTS: Final = 60
#: The name of a row that holds for every concentration, or for every weight.
ANY: Final = "any"
_Floats = npt.NDArray[np.float64]
_Values = Sequence[tuple[Any, ...]]


@dataclass(frozen=True)
class Curve:
    """A curve as a table, and what it is of.

    `concentration` and `weights` are those of the row, ``any`` where it holds for every one; `version` is the
    library that it holds for, empty where one library is held against all that was recorded. `table` has one
    row a limit, ascending: `limit`, `unit`, `alerts`, `uses` (programmings with a value that this row can
    judge), `alerts_per_100_uses`, `within_still_warned` of `within` attempts that were brought within limits
    after a warning about this quantity and side, `is_lower_bound`, and `stands_for`: the limits that are
    proposed or were logged.
    """

    care_area: str
    entry: str
    concentration: str
    weights: str
    quantity: str
    side: str
    unit: str
    version: str
    table: pa.Table


@dataclass(frozen=True)
class Curves:
    """The curves of one entry's limits on one quantity.

    `uses` counts all its programmings, `uses_drawn` those that stand on one of `drawn`. `left_out` has the
    others, with the limit alerts that could not be judged: `reason`, `programmings`, `limit_alerts`.
    """

    drawn: tuple[Curve, ...]
    left_out: pa.Table
    uses: int
    uses_drawn: int

    @property
    def table(self) -> pa.Table:
        """All curves below each other, with concentration, weights and, where told, version."""
        tables = []
        names = ["version"] if any(curve.version for curve in self.drawn) else []
        names += ["concentration", "weights"]
        for curve in self.drawn:
            texts = [pa.array([getattr(curve, n)] * curve.table.num_rows, pa.string()) for n in names]
            columns = [*texts, *curve.table.columns]
            tables.append(pa.table(columns, names=[*names, *curve.table.column_names]))
        return pa.concat_tables(tables)

    @property
    def text(self) -> str:
        """What stands on the curves and what does not, in words."""
        out = [f"{row['reason']} ({row['programmings']})" for row in self.left_out.to_pylist()
               if row["programmings"]]  # fmt: skip
        alerts = sum(self.left_out["limit_alerts"].to_pylist())
        told = f"{self.uses_drawn} of {self.uses} uses (programmings) can be judged"
        told += f"; left out: {'; '.join(out)}" if out else ""
        return told + (f"; limit alerts that cannot be judged: {alerts}" if alerts else "")


def curves(
    con: duckdb.DuckDBPyConnection,
    care_area: str,
    entry: str,
    quantity: str,
    side: str,
    concentration: str | None = None,
    weights: str | None = None,
) -> Curves:
    """Move each limit of an entry on one quantity over all that was recorded under it.

    Parameters
    ----------
    con
        Connection in which `replay` ran.
    care_area, entry
        Whose limit; case and spaces may differ from the library's.
    quantity
        What it is on, such as ``dose_rate``.
    side
        ``high`` or ``low``.
    concentration, weights
        Only rows of this concentration (``25 [IU]/mL``) or band of weights (``0-10 kg``); ``any``: rows that
        hold for every one. None: every row.

    Returns
    -------
    Curves
        One curve a row of the library under which a value was recorded. An alert is a recorded value past
        the limit: entered at a logged alert, or confirmed; the confirmed value of an override stands for its
        alert and counts once. Where the limit is tighter than the loosest one that was logged, the count is a
        lower bound: what was typed and taken back without a warning is not in the log. Without any logged
        limit, so is every row. What cannot be judged under one row is in no denominator.

    Raises
    ------
    UsageError
        If the library has no such row, or nothing was recorded under it.
    """
    care_area, entry, quantity = _place(con, care_area, entry, quantity)
    place = {"care_area": [care_area], "entry": [entry], "limit_quantity": [quantity]}
    put(con, "curve_place", pa.table(place))
    rows = con.execute(
        "select row_no, concentration, weights, limit_unit, coalesce(library_version, '') from proposed_rows"
        " where care_area = ? and entry = ? and limit_quantity = ? order by row_no",
        [care_area, entry, quantity],
    ).fetchall()
    rows = _only(_only(rows, 1, concentration), 2, weights)
    build(con, "curve_uses", "curve_left_out")
    uses = dict(con.execute("select row_no, uses from curve_uses").fetchall())
    drawn = [
        _curve(
            con,
            (care_area, entry, text or ANY, band or ANY, quantity, side, unit, version),
            number,
            uses[number],
        )
        for number, text, band, unit, version in rows
        if number in uses
    ]
    if not drawn:
        raise UsageError(
            f"nothing was recorded of {quantity} of {entry!r} in {care_area!r} that the proposal limits",
            do="'library replay ... --list not_comparable' says what could not be compared, and why",
        )
    ((used, told, judged),) = con.execute(
        "select (select count(*) from library_programmings where care_area = $area and entry = $entry),"
        " count(distinct case when list_contains($rows, row_no) then programming_id end),"
        " count(distinct case when row_no is not null then programming_id end) from curve_values",
        {"area": care_area, "entry": entry, "rows": [row[0] for row in rows]},
    ).fetchall()
    left_out = fetch(con, "curve_left_out")
    if judged > told:
        other = [["another concentration or band of weights"], [judged - told], [0]]
        left_out = pa.concat_tables([pa.table(other, schema=left_out.schema), left_out])
    return Curves(tuple(drawn), left_out, used, told)


def _place(con: duckdb.DuckDBPyConnection, *asked: str) -> tuple[str, ...]:
    """Return care area, entry and quantity as the library writes them; refuse what it does not have.

    Each stands for the one of the library's names that is alike, case and spaces folded; where several are,
    for the one that is just so.
    """
    rows = con.execute(
        "select care_area, entry, limit_quantity from proposed_rows order by row_no"
    ).fetchall()
    found: tuple[str, ...] = ()
    for name, what in zip(asked, ("care areas", "entries", "quantities"), strict=True):
        names = list(dict.fromkeys(row[len(found)] for row in rows if row[: len(found)] == found))
        alike = [known for known in names if fold(known) == fold(name)]
        if name not in alike and len(alike) != 1:
            raise _no_row(asked, name, what, found, alike, names)
        found = (*found, name if name in alike else alike[0])
    return found


def _no_row(
    asked: tuple[str, ...], name: str, what: str, found: tuple[str, ...], alike: list[str], names: list[str]
) -> UsageError:
    """Return what to say of a limit that the library does not have, with the nearest that it has."""
    care_area, entry, quantity = asked
    folded: dict[str, list[str]] = {}
    for known in names:
        folded.setdefault(fold(known), []).append(known)
    near = alike or [n for text in get_close_matches(fold(name), folded) for n in folded[text]]
    where = "".join(f" of {text!r}" for text in reversed(found))
    told = f"Near {name!r}: {', '.join(near)}. " if near else ""
    return UsageError(
        f"the library has no limit on {quantity} of {entry!r} in {care_area!r}",
        do=f"{told}Its {what}{where}: {', '.join(names) or 'none'}",
    )


def _only(rows: list[tuple[Any, ...]], column: int, asked: str | None) -> list[tuple[Any, ...]]:
    """Return the rows of one concentration or one band of weights, however it is spaced."""
    if asked is None or not rows:
        return rows
    plain = {(row[column] or ANY).casefold().replace(" ", ""): row[column] or ANY for row in rows}
    name = asked.casefold().replace(" ", "")
    if name not in plain:
        raise UsageError(
            f"the library has no row of {asked!r} for this entry, area and quantity",
            do=f"There are: {', '.join(plain.values())}",
        )
    return [row for row in rows if (row[column] or ANY) == plain[name]]


def _curve(
    con: duckdb.DuckDBPyConnection,
    place: tuple[str, str, str, str, str, str, str, str],
    row_no: int,
    uses: int,
) -> Curve:
    side, unit, _ = place[-3:]
    found = con.execute(
        "select value_6, origin, attempt_id, outcome, logged_side, logged_limit, entered_value, logged_kind"
        " from curve_values where row_no = ? and not stands_for_an_alert order by value_6, value_key",
        [row_no],
    ).fetchall()
    sign = 1.0 if side == "high" else -1.0
    values = np.array([row[0] for row in found], np.float64)
    alerts = [row for row in found if row[1] == "alert" and row[4] == side]
    attempts: dict[str, float] = {}
    for row in alerts:
        if row[3] == "within_limits":
            attempts[row[2]] = max(attempts.get(row[2], -np.inf), sign * row[0])
    farthest = np.array(sorted(attempts.values()), np.float64)
    logged = {limit for limit in map(_in_unit, alerts) if limit is not None}
    loosest = max((sign * limit for limit in logged), default=None)
    marks = {**dict.fromkeys(logged, "logged"), **_proposed(con, row_no, side)}
    limits = _places(values, sign, sorted(marks))
    past = [int((sign * values > sign * limit).sum()) for limit in limits]
    warned = [int((farthest > sign * limit).sum()) for limit in limits]
    table = pa.table(
        {
            "limit": pa.array(limits, pa.float64()),
            "unit": pa.array([unit] * len(limits), pa.string()),
            "alerts": pa.array(past, pa.int64()),
            "uses": pa.array([uses] * len(limits), pa.int64()),
            "alerts_per_100_uses": pa.array([100 * n / uses for n in past], pa.float64()),
            "within_still_warned": pa.array(warned, pa.int64()),
            "within": pa.array([len(farthest)] * len(limits), pa.int64()),
            "is_lower_bound": pa.array(
                [loosest is None or sign * limit < loosest for limit in limits], pa.bool_()
            ),
            "stands_for": pa.array([marks.get(limit, "") for limit in limits], pa.string()),
        }
    )
    return Curve(*place, table)


def _in_unit(row: tuple[Any, ...]) -> float | None:
    """Return the logged soft limit in the unit of the row: by the factor of the value that was entered."""
    value, limit, entered = row[0], row[5], row[6]
    if limit is None or not entered or row[7] == "hard":
        return None
    return six_digits(limit * value / entered)


def _proposed(con: duckdb.DuckDBPyConnection, row_no: int, side: str) -> dict[float, str]:
    ((soft, hard),) = con.execute(
        f"select soft_{side}, hard_{side} from proposed_rows where row_no = ?", [row_no]
    ).fetchall()
    marks = {} if hard is None else {six_digits(hard): f"proposed hard_{side}"}
    return marks if soft is None else {**marks, six_digits(soft): f"proposed soft_{side}"}


def _places(values: _Floats, sign: float, marks: list[float]) -> list[float]:
    """Return where the limit is tried: recorded values from the middle outwards, and the marked places."""
    outer = np.unique(values[sign * values >= np.median(sign * values)]) if len(values) else values
    if len(outer) > MOST_POINTS:
        outer = outer[np.unique(np.linspace(0, len(outer) - 1, MOST_POINTS).round().astype(np.int64))]
    return sorted({*(float(value) for value in outer), *marks})
