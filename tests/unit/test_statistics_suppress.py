"""Small numbers before sharing: what is hidden cannot be worked out, by trying every table."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dripledger.statistics import ArrayError, Hidden, suppress


def possible(table: np.ndarray, hidden: Hidden) -> np.ndarray:
    """Tables near the true one that a reader who knows the rules cannot exclude: hidden cells are 1 or more.

    Two values for a cell are enough to protect it, so tables within 2 of the true one suffice.
    """
    places = np.argwhere(hidden.cells)
    near = [range(max(1, int(table[tuple(place)]) - 2), int(table[tuple(place)]) + 3) for place in places]
    values = np.array(list(product(*near)), dtype=np.int64)
    guesses = np.repeat(table[np.newaxis], len(values), axis=0)
    guesses[:, places[:, 0], places[:, 1]] = values
    fits = ((guesses.sum(2) == table.sum(1)) | hidden.row_totals).all(axis=1)
    fits &= ((guesses.sum(1) == table.sum(0)) | hidden.column_totals).all(axis=1)
    fits &= (guesses.sum((1, 2)) == table.sum()) | hidden.grand_total
    return guesses[fits]


def nothing_small_is_given_away(table: np.ndarray, hidden: Hidden) -> None:
    if hidden.cells.sum() > 7:
        return
    guesses = possible(table, hidden)
    for i, j in np.argwhere((table >= 1) & (table <= 4)):
        assert hidden.cells[i, j]
        assert len(set(guesses[:, i, j].tolist())) >= 2, f"{table.tolist()}: {i, j} is given away"
    for total, hid, axis in ((table.sum(1), hidden.row_totals, 1), (table.sum(0), hidden.column_totals, 0)):
        for k in np.flatnonzero((total >= 1) & (total <= 4)):
            assert hid[k]
            sums = guesses.sum(axis + 1)[:, k]
            assert len(set(sums.tolist())) >= 2


small_tables = st.integers(1, 3).flatmap(
    lambda rows: st.integers(1, 3).flatmap(
        lambda columns: st.lists(
            st.lists(st.sampled_from([0, 0, 1, 2, 5, 6]), min_size=columns, max_size=columns),
            min_size=rows,
            max_size=rows,
        )
    )
)


@settings(max_examples=100, deadline=None)
@given(small_tables)
def test_every_small_cell_keeps_two_possible_values(rows: list[list[int]]) -> None:
    table = np.array(rows)
    nothing_small_is_given_away(table, suppress(table))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.sampled_from([0, 1, 2, 4, 5, 7]), min_size=1, max_size=5))
def test_a_row_with_its_total(row: list[int]) -> None:
    hidden = suppress(row)
    assert hidden.cells.shape == (len(row),)
    nothing_small_is_given_away(np.array([row]), hidden._replace(cells=hidden.cells[np.newaxis, :]))


def test_a_large_table_hides_little() -> None:
    table = np.full((12, 30), 40)
    table[3, 7] = 2
    hidden = suppress(table)
    assert hidden.cells.sum() == 4  # a rectangle: two rows, two columns
    assert not hidden.row_totals.any()
    assert not hidden.grand_total


def test_nothing_small_hides_nothing() -> None:
    hidden = suppress([[0, 5, 9], [0, 0, 7]])
    assert not hidden.cells.any()
    assert not hidden.row_totals.any()
    assert not hidden.column_totals.any()


def test_zero_is_shown_and_four_is_not_and_five_is() -> None:
    hidden = suppress([[0, 4, 5, 60]], row_totals=False, column_totals=False, grand_total=False)
    assert hidden.cells.tolist() == [[False, True, False, False]]


def test_two_ones_and_their_total_of_two() -> None:
    """A total of 2 over two hidden cells would give both away; it is small itself, and so is hidden."""
    hidden = suppress([1, 1, 30])
    assert hidden.cells[:2].all()
    assert hidden.cells[2] or hidden.row_totals[0]


def test_totals_that_are_not_shown_protect_nothing() -> None:
    hidden = suppress([[3, 50], [60, 70]], column_totals=False, grand_total=False)
    assert hidden.cells.tolist() == [[True, True], [False, False]]
    assert hidden.column_totals.all()


@pytest.mark.parametrize(
    ("counts", "position"),
    [([1, -1], (1,)), ([[1, 2], [3, 0.5]], (1, 1)), ([[[1]]], None), ([], None), (3, None)],
)
def test_what_cannot_be_is_named(counts: object, position: object) -> None:
    with pytest.raises(ArrayError) as caught:
        suppress(counts)  # type: ignore[arg-type]
    assert caught.value.argument == "counts"
    assert caught.value.position == position


def test_what_is_hidden_for_another_reason_cannot_be_worked_out_either() -> None:
    asked = np.zeros((3, 3), np.bool_)
    asked[0, 1] = True
    hidden = suppress([[10, 20], [30, 40]], also=asked)
    assert hidden.cells.all(), "one other of its row, one of its column, and the one that ties these"
    assert suppress([50, 20, 30], also=[True, False, False, False]).cells.tolist() == [True, True, False]
    total = suppress([50, 20, 30], also=[False, False, False, True])
    assert total.row_totals[0]
    assert total.cells.tolist() == [False, True, False]
