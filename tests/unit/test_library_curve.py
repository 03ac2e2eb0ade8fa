"""One limit at every place it could stand, worked out by hand, as table and as figure."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest
from tests.library_samples import limit_row, logged
from tests.spec.test_library_replay import LOG

from dripledger.errors import UsageError
from dripledger.library.curve import Curve, curve
from dripledger.library.figure import draw_curve
from dripledger.library.replay import replay


@pytest.fixture(scope="module")
def heparin() -> Curve:
    con = logged(LOG)
    replay(con, [limit_row(soft_high=30.0, hard_high=120.0)])
    found = curve(con, "ICU", "heparin", "flow_rate", "high")
    con.close()
    return found


def test_the_curve_by_hand(heparin: Curve) -> None:
    """Recorded: 10, 18, 25, 100 in 3 uses; the median is 21.5: 25 and 100 are tried, and the marked places.

    Past 20: 25 and 100, 2 alerts, 200/3 per 100 uses. Past 25 and 30: 100 alone. Past 100: none. The one
    attempt that was brought within limits entered 100: warned up to there. The loosest soft limit logged is
    20; 30 and 120 are proposed.
    """
    names = ("limit", "alerts", "within_still_warned", "is_lower_bound", "stands_for")
    assert [tuple(row[n] for n in names) for row in heparin.table.to_pylist()] == [
        (20.0, 2, 1, False, "logged"),
        (25.0, 1, 1, False, ""),
        (30.0, 1, 1, False, "proposed soft_high"),
        (100.0, 0, 0, False, ""),
        (120.0, 0, 0, False, "proposed hard_high"),
    ]
    assert heparin.table["alerts_per_100_uses"].to_pylist() == pytest.approx(
        [200 / 3, 100 / 3, 100 / 3, 0, 0]
    )
    assert set(heparin.table["within"].to_pylist()) == {1}


def test_a_limit_tighter_than_any_that_was_logged_gives_a_lower_bound() -> None:
    con = logged(LOG)
    replay(con, [limit_row(soft_high=12.0)])
    rows = {row["limit"]: row for row in curve(con, "ICU", "heparin", "flow_rate", "high").table.to_pylist()}
    con.close()
    # past 12: 18, 25 and 100
    assert (rows[12.0]["alerts"], rows[12.0]["is_lower_bound"], rows[20.0]["is_lower_bound"]) == (
        3,
        True,
        False,
    )


def test_what_was_never_recorded_is_refused() -> None:
    con = logged(LOG)
    replay(con, [limit_row(soft_high=12.0)])
    with pytest.raises(UsageError, match="nothing was recorded of volume"):
        curve(con, "ICU", "heparin", "volume", "high")
    con.close()


def test_the_figure_is_text_and_always_the_same(heparin: Curve) -> None:
    drawn = draw_curve(heparin)
    assert drawn == draw_curve(heparin)
    told = " ".join(ET.fromstring(drawn).itertext())
    for words in ("heparin, ICU", "limit alerts per 100 uses", "flow rate, mL/h", "no advice on a limit"):
        assert words in told
    assert "<dc:date>" not in drawn
