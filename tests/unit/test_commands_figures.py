"""What people see of a result: rounded figures, and columns that say nothing named once."""

from __future__ import annotations

from decimal import Decimal

import pyarrow as pa
import pytest

from dripledger.commands.figures import for_people, narrower, rounded
from dripledger.output import text_of


def _shown(name: str, *values: float | None) -> list[object]:
    shown, _ = for_people(pa.table({name: pa.array(values, pa.float64()), "n": [1] * len(values)}))
    return shown[name].to_pylist()  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("days_to_50", 4.423333333333333, "4.423"),
        ("override_share", 0.52117263843648, "0.5212"),
        ("expected_by_chance", 28.918692383796994, "28.92"),
        ("days_looked", 266.99944444444446, "267"),
        ("limit", 4400.0, "4400"),
        ("limit", 2457.5, "2457.5"),
        ("limit", 0.00333333333333, "0.00333333"),
        ("recorded_value", 1234567.89, "1234568"),
        ("alerts_per_100_uses", 12345.678, "12346"),
        ("limit", -0.5, "-0.5"),
    ],
)
def test_a_figure_is_rounded_and_never_loses_a_digit_before_the_point(
    name: str, value: float, text: str
) -> None:
    (shown, _) = _shown(name, value, None)
    assert isinstance(shown, Decimal)
    assert f"{shown:f}".rstrip("0").rstrip(".") == text if "." in f"{shown:f}" else f"{shown:f}" == text


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e300, 1e-30])
def test_what_no_decimal_can_hold_stays_as_it_is(value: float) -> None:
    (shown, _) = _shown("limit", value, 1.0)
    assert repr(shown) == repr(value)


def test_columns_that_say_nothing_are_named_and_the_rows_stay() -> None:
    table = pa.table(
        {"area": ["a", "b"], "new": [0, 0], "note": ["", None], "is_old": [False, False], "n": [0, 1]}
    )
    shown, left_out = for_people(table)
    assert (shown.column_names, left_out) == (["area", "n"], ["new", "note", "is_old"])
    assert shown.num_rows == 2
    # of a single row everything is told
    one, none = for_people(table.slice(0, 1))
    assert (one.column_names, none) == (table.column_names, [])


def test_what_is_the_same_in_every_row_is_told_once_where_the_table_is_too_wide() -> None:
    """The table is 4 + 2 + 6 + 2 + 1 = 15 columns wide."""
    table = pa.table({"area": ["ward", "ward"], "unit": ["ug/min"] * 2, "n": [1, 2]})
    assert narrower(table, 15) == (table, {})
    assert narrower(table, None) == (table, {})
    shown, same = narrower(table, 14)
    assert (shown.column_names, same) == (["n"], {"area": "ward", "unit": "ug/min"})
    # a single row, or rows that are all alike, are told as they are
    assert narrower(table.slice(0, 1), 5) == (table.slice(0, 1), {})
    alike = table.drop_columns(["n"])
    assert narrower(alike, 5) == (alike, {})


def test_measures_are_rounded_for_the_eye_and_no_row_or_column_is_lost() -> None:
    amounts = pa.array([Decimal("5.123456789"), Decimal(3), None], pa.decimal128(28, 9))
    table = pa.table(
        {"numerator": amounts, "value": [0.9882352941176471, None, 12345.678], "low95": [1 / 3, None, 0.0]}
    )
    shown = rounded(table, ("value", "low95", "high95"))
    assert [text_of(v) for v in shown["numerator"].to_pylist()] == ["5.12", "3", ""]
    assert [text_of(v) for v in shown["value"].to_pylist()] == ["0.9882", "", "12346"]
    assert [text_of(v) for v in shown["low95"].to_pylist()] == ["0.3333", "", "0"]
