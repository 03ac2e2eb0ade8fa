"""Hide small counts of a table before it is shared, and whatever would give them back by subtraction."""

from __future__ import annotations

import heapq
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import ArrayError, Floats, as_counts
from dripledger.statistics.layout import Bools

#: Counts from 1 to this are small.
SMALL_MOST = 4
#: A total is hidden only where no cell can stand in for it.
_TOTAL_COST = 1e12


class Hidden(NamedTuple):
    """True where a figure is hidden; rates made of a hidden count are to be hidden with it."""

    cells: Bools
    row_totals: Bools
    column_totals: Bools
    grand_total: bool


def suppress(
    counts: npt.ArrayLike,
    *,
    row_totals: bool = True,
    column_totals: bool = True,
    grand_total: bool = True,
    small_most: int = SMALL_MOST,
    also: npt.ArrayLike | None = None,
) -> Hidden:
    """Choose what to hide so that no count from 1 to 4 can be read or worked out.

    Parameters
    ----------
    counts
        Numerators; whole numbers, 0 or more; shape (rows, columns), or (cells,) for a single row.
    row_totals, column_totals, grand_total
        Which totals are shown beside the table (or can be had elsewhere).
    small_most
        Largest count that is small.
    also
        True for figures that are hidden for another reason and protected like small ones; in the shape of
        `counts` with the totals behind it: (rows + 1, columns + 1), or (cells + 1,).

    Returns
    -------
    Hidden
        Small counts and small totals are hidden, and further cells so that every small one keeps at least two
        possible values. A count of 0 is never hidden. Totals that are not shown come back as True.

    Raises
    ------
    ArrayError
        For a count that is negative or no whole number, an empty table, or more than two dimensions.

    Notes
    -----
    Cells and totals are the edges of a graph between rows and columns; figures can only change together
    along a cycle of hidden edges, and a count of 1 cannot fall if the reader knows that 0 is never hidden. So
    each small count is given the cheapest cycle along which it can change (after Gusfield D. SIAM J Comput
    1988;17:552-571, from memory; a test tries every table that agrees with what is left). One table is
    protected, not what two tables say together: subtract the months of a year from its total, and a third
    dimension appears.
    """
    table = as_counts("counts", counts)
    shape = table.shape
    if table.ndim == 1:
        table, column_totals, grand_total = table[np.newaxis, :], False, False
    if table.ndim != 2 or 0 in table.shape:
        raise ArrayError("counts", f"has shape {shape}; rows by columns is wanted, at least one of each")
    rows, columns = table.shape
    full = np.zeros((rows + 1, columns + 1))
    full[:-1, :-1] = table
    full[:-1, -1], full[-1, :-1], full[-1, -1] = table.sum(axis=1), table.sum(axis=0), table.sum()
    shown = np.ones(full.shape, np.bool_)
    shown[:-1, -1], shown[-1, :-1], shown[-1, -1] = row_totals, column_totals, grand_total
    hidden = ~shown
    small = (full >= 1) & (full <= small_most)
    if also is not None:
        asked = np.atleast_2d(np.asarray(also, np.bool_))
        small[: len(asked)] |= asked
    small_shown = small & shown
    hidden |= small_shown
    for i, j in np.argwhere(small_shown):
        _protect(full, hidden, shown, int(i), int(j))
    cells = hidden[:-1, :-1].reshape(shape)
    return Hidden(cells, hidden[:-1, -1], hidden[-1, :-1], bool(hidden[-1, -1]))


def _protect(full: Floats, hidden: Bools, shown: Bools, i: int, j: int) -> None:
    """Hide the cheapest cycle through a cell along which its value can change by one, up or down.

    Every row and column, totals with a minus sign, adds up to 0: what rises by one in a cell must fall in
    another of its row and of its column.
    """
    # There always is a way: the cell, the totals of its row and column and the grand total rise together.
    _, cells = min((_cycle(full, hidden, shown, i, j, up) for up in (True, False)), key=lambda way: way[0])
    for cell in cells:
        hidden[cell] = True


def _cycle(
    full: Floats, hidden: Bools, shown: Bools, i: int, j: int, up: bool
) -> tuple[float, list[tuple[int, int]]]:
    """Return cost and further cells of the cheapest cycle that lets a signed value rise (or fall)."""
    rows, columns = full.shape
    floor = np.where(shown, 1.0, 0.0)
    if not _can(full, floor, (i, j), up):
        return np.inf, []
    # Nodes: rows, then columns. A rise in (r, c) is an arc from r to c, a fall one from c to r.
    start, goal = (rows + j, i) if up else (i, rows + j)
    best = {start: 0.0}
    came: dict[int, tuple[int, tuple[int, int]]] = {}
    queue: list[tuple[float, int]] = [(0.0, start)]
    while queue:
        so_far, node = heapq.heappop(queue)
        if node == goal:
            break
        if so_far > best[node]:
            continue
        rising = node < rows
        for other in range(columns if rising else rows):
            cell = (node, other) if rising else (other, node - rows)
            price = _price(full, hidden, cell)
            if cell == (i, j) or price == np.inf or not _can(full, floor, cell, rising):
                continue
            after, reached = so_far + price, other + rows if rising else other
            if after < best.get(reached, np.inf):
                best[reached], came[reached] = after, (node, cell)
                heapq.heappush(queue, (after, reached))
    if goal not in best:
        return np.inf, []
    cells, node = [], goal
    while node != start:
        node, cell = came[node]
        cells.append(cell)
    return best[goal], cells


def _can(full: Floats, floor: Floats, cell: tuple[int, int], up: bool) -> bool:
    """Return whether the signed value of a cell can rise (or fall) by one; totals carry a minus sign."""
    row, column = cell
    negative = (row == full.shape[0] - 1) != (column == full.shape[1] - 1)
    return up != negative or bool(full[row, column] - 1 >= floor[row, column])


def _price(full: Floats, hidden: Bools, cell: tuple[int, int]) -> float:
    """Return what hiding a cell costs: nothing if it is hidden, never a 0, totals last."""
    if hidden[cell]:
        return 0.0
    if full[cell] == 0:
        return np.inf
    row, column = cell
    is_total = row == full.shape[0] - 1 or column == full.shape[1] - 1
    return 1.0 + float(full[cell]) + (_TOTAL_COST if is_total else 0.0)
