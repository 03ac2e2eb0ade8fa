"""Numbers for people: no share that exists is rounded away."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dripledger.reports.words import THIN, amount, month_name, percent, points, shorten, whole


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0, "0 %"), (1, "100 %"), (0.5, "50.0 %"), (0.00049, "under 0.1 %"), (0.9999, "over 99.9 %"),
        (0.0005, "0.1 %"), (0.99949, "99.9 %"),
    ],
)  # fmt: skip
def test_percent(share: float, text: str) -> None:
    assert percent(share, ".").replace(THIN, " ") == text


@given(st.floats(0, 1, exclude_min=True, exclude_max=True))
def test_only_none_is_nought_and_only_all_is_a_hundred(share: float) -> None:
    for text in (percent(share, "."), points(share, ".")):
        assert text not in (
            "0",
            "100",
            "0.0",
            "100.0",
            f"0{THIN}%",
            f"100{THIN}%",
            f"0.0{THIN}%",
            f"100.0{THIN}%",
        )


def test_the_decimal_sign_is_the_sites() -> None:
    assert percent(0.125, ",") == f"12,5{THIN}%"
    assert amount(Decimal("1234.56"), ",") == "1234,6"


def test_whole_numbers_are_grouped_from_five_digits_on() -> None:
    assert [whole(n) for n in (0, 9999, 10000, 1234567)] == [
        "0", "9999", f"10{THIN}000", f"1{THIN}234{THIN}567",
    ]  # fmt: skip


def test_month_and_names() -> None:
    assert month_name("2026-10") == "October 2026"
    assert shorten(["a", "b", "c"], 2) == (("a", "b"), "and 1 more")
    assert shorten(["a", "b"], 2) == (("a", "b"), "")
