"""One limit at every place it could stand, worked out by hand, as table and as figure."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Sequence
from typing import Any

import pytest
from tests.library_samples import limit_row, logged_once
from tests.spec.test_library_replay import LOG, ONE, STRENGTHS, TWO

from dripledger.errors import UsageError
from dripledger.library.curve import Curve, Curves, curves
from dripledger.library.figure import draw_curves
from dripledger.library.replay import replay


def _curves(log: str, *rows: dict[str, Any], quantity: str = "flow_rate", **named: str) -> Curves:
    con = logged_once(log)
    replay(con, [limit_row(number=n, **row) for n, row in enumerate(rows, start=2)])
    return curves(con, "ICU", "heparin", quantity, "high", **named)


@pytest.fixture(scope="module")
def heparin() -> Curve:
    (found,) = _curves(LOG, {"soft_high": 30.0, "hard_high": 120.0}).drawn
    return found


def _told(curve: Curve, *names: str) -> Sequence[tuple[Any, ...]]:
    return [tuple(row[n] for n in names) for row in curve.table.to_pylist()]


def test_the_curve_by_hand(heparin: Curve) -> None:
    """Recorded: 10, 18, 25, 100 in 3 uses; the median is 21.5: 25 and 100 are tried, and the marked places.

    Past 20: 25 and 100, 2 alerts, 200/3 per 100 uses. Past 25 and 30: 100 alone. Past 100: none. The one
    attempt that was brought within limits entered 100: warned up to there. The loosest soft limit logged is
    20; 30 and 120 are proposed.
    """
    assert _told(heparin, "limit", "alerts", "within_still_warned", "is_lower_bound", "stands_for") == [
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
    (found,) = _curves(LOG, {"soft_high": 12.0}).drawn
    rows = {row["limit"]: row for row in found.table.to_pylist()}
    # past 12: 18, 25 and 100
    assert (rows[12.0]["alerts"], rows[12.0]["is_lower_bound"], rows[20.0]["is_lower_bound"]) == (
        3,
        True,
        False,
    )


def test_what_was_never_recorded_is_refused() -> None:
    with pytest.raises(UsageError, match="nothing was recorded of volume"):
        _curves(LOG, {"soft_high": 12.0}, {"quantity": "volume", "soft_high": 500.0}, quantity="volume")


def test_a_limit_that_the_library_does_not_have_is_refused_with_what_it_has() -> None:
    rows = (
        {"soft_high": 12.0},
        {"entry": "Insulin", "soft_high": 3.0},
        {"care_area": "Ward", "soft_high": 3.0},
    )
    con = logged_once(LOG)
    replay(con, [limit_row(number=n, **row) for n, row in enumerate(rows, start=2)])
    for place, told in (
        (("ICU", "heparin", "volume"), "Its quantities of 'heparin' of 'ICU': flow_rate."),
        (
            ("ICU", "insuline", "flow_rate"),
            "Near 'insuline': Insulin. Its entries of 'ICU': heparin, Insulin.",
        ),
        (("ICU", "water", "flow_rate"), "in 'ICU'. Its entries of 'ICU': heparin, Insulin."),
        (("wards", "heparin", "flow_rate"), "Near 'wards': Ward. Its care areas: ICU, Ward."),
    ):
        with pytest.raises(
            UsageError, match=f"no limit on {place[2]} of '{place[1]}' in '{place[0]}'"
        ) as error:
            curves(con, *place, "high")
        assert told in str(error.value)


def test_a_place_may_be_typed_in_another_case() -> None:
    con = logged_once(LOG)
    replay(con, [limit_row(number=2, soft_high=30.0)])
    (told,) = curves(con, " icu", "HEPARIN", "Flow_Rate", "high").drawn
    assert (told.care_area, told.entry, told.quantity) == ("ICU", "heparin", "flow_rate")


def test_of_two_names_that_differ_in_case_only_the_one_just_so_is_meant() -> None:
    con = logged_once(LOG)
    rows = ({"soft_high": 30.0}, {"entry": "Heparin", "soft_high": 3.0})
    replay(con, [limit_row(number=n, **row) for n, row in enumerate(rows, start=2)])
    assert curves(con, "ICU", "heparin", "flow_rate", "high").drawn[0].entry == "heparin"
    with pytest.raises(UsageError, match="Near 'HEPARIN': heparin, Heparin"):
        curves(con, "ICU", "HEPARIN", "flow_rate", "high")


BOTH = (ONE | {"soft_high": 20.0}, TWO | {"soft_high": 3.5})


def test_each_strength_has_a_curve_of_its_own() -> None:
    """Six uses. At 1 mg/mL two, 10 and 25: past 20 is 25, 1 in 2, so 50 per 100.

    At 2 mg/mL two, 3 and 4: past 3.5 is 4, 50 per 100; 25 and 10 are past 3.5 too, and fall under the other
    limit. Left out: the volume, and 7.
    """
    found = _curves(STRENGTHS, *BOTH)
    assert [curve.concentration for curve in found.drawn] == ["1 mg/mL", "2 mg/mL"]
    one, two = ({row["limit"]: row for row in curve.table.to_pylist()} for curve in found.drawn)
    names = ("alerts", "uses", "alerts_per_100_uses")
    assert tuple(one[20.0][n] for n in names) == (1, 2, 50.0)
    assert tuple(two[3.5][n] for n in names) == (1, 2, 50.0)
    assert max(two) == 4.0
    assert [tuple(row.values()) for row in found.left_out.to_pylist()] == [
        ("may fall under several rows: concentration or weight is not known, or rows overlap", 1, 0),
        ("sets no flow_rate", 1, 0),
    ]
    assert (found.uses, found.uses_drawn) == (6, 4)
    assert found.table["concentration"].to_pylist() == [
        c.concentration for c in found.drawn for _ in range(c.table.num_rows)
    ]


def test_one_strength_by_its_name_and_a_wrong_one_with_what_there_is() -> None:
    (two,) = _curves(STRENGTHS, *BOTH, concentration="2  mg/ml").drawn
    assert two.concentration == "2 mg/mL"
    with pytest.raises(UsageError, match="no row of '5 mg/mL'") as told:
        _curves(STRENGTHS, *BOTH, concentration="5 mg/mL")
    assert "1 mg/mL, 2 mg/mL" in str(told.value.do)


def test_a_row_for_every_strength_is_named_any_and_bands_have_curves_too() -> None:
    """10 at 8 kg falls under the first band; 15 is inside both, and nobody knows under which it falls."""
    (every,) = _curves(STRENGTHS, {"soft_high": 20.0}, concentration="any").drawn
    assert set(every.table["uses"].to_pylist()) == {5}
    log = """
| at       | kind             | library_use | entry   | rate_ml_h | weight_kg |
| 10:00:00 | infusion_started | limited     | heparin | 10        | 8         |
| 11:00:00 | infusion_stopped |             |         |           |           |
| 12:00:00 | powered_off      |             |         |           |           |
| 12:10:00 | powered_on       |             |         |           |           |
| 13:00:00 | infusion_started | limited     | heparin | 15        |           |
| 14:00:00 | infusion_stopped |             |         |           |           |
"""
    bands = ({"soft_high": 20.0, "weight_max_kg": 10.0}, {"soft_high": 50.0, "weight_min_kg": 10.0})
    found = _curves(log, *bands)
    assert [curve.weights for curve in found.drawn] == ["-10 kg"]
    assert (found.uses, found.uses_drawn) == (2, 1)


def test_of_the_libraries_that_were_in_force_each_has_its_curves() -> None:
    """7 ran at 10 and 25, 8 at 3, 4 and, as nothing else was named since, 7 mL/h."""
    log = STRENGTHS.replace("| concentration_value |", "| library_version     |")
    log = log.replace("| 1                   | mg/mL ", "| 7                   |       ")
    log = log.replace("| 2                   | mg/mL ", "| 8                   |       ")
    con = logged_once(log)
    rows = [limit_row(number=n, version=version, soft_high=20.0) for n, version in ((2, "7"), (3, "8"))]
    replay(con, rows, by_version=True)
    found = curves(con, "ICU", "heparin", "flow_rate", "high")
    assert [(curve.version, curve.table["uses"][0].as_py()) for curve in found.drawn] == [("7", 2), ("8", 3)]
    assert found.table.column_names[:3] == ["version", "concentration", "weights"]


def test_an_alert_without_a_programme_is_a_use_of_its_row() -> None:
    """10 ran, 100 was tried and given up: two uses, one alert past 20."""
    log = """
| at       | kind              | library_use | entry   | rate_ml_h | limit                       | tried |
| 10:00:00 | infusion_started  | limited     | heparin | 10        |                             |       |
| 11:30:00 | limit_alerted     |             | heparin |           | hard high flow_rate 50 mL/h | 100   |
| 11:30:09 | attempt_cancelled |             | heparin |           |                             |       |
| 13:00:00 | infusion_stopped  |             |         |           |                             |       |
"""
    (found,) = _curves(log, {"soft_high": 20.0}).drawn
    assert _told(found, "limit", "alerts", "uses") == [(20.0, 1, 2), (100.0, 0, 2)]


def test_an_alert_that_names_no_limit_is_counted_as_left_out() -> None:
    log = LOG.replace("| hard high flow_rate 50 mL/h | 100   |", "| . . . . .                   |       |")
    found = _curves(log, {"soft_high": 20.0})
    left = {row["reason"]: row["limit_alerts"] for row in found.left_out.to_pylist()}
    assert left == {"the log names no limit": 1}


def test_the_figure_is_text_and_always_the_same() -> None:
    found = _curves(STRENGTHS, *BOTH)
    drawn = draw_curves(found)
    assert drawn == draw_curves(found)
    told = " ".join(" ".join(ET.fromstring(drawn).itertext()).split())
    for words in ("heparin, 1 mg/mL, ICU", "heparin, 2 mg/mL, ICU", "limit alerts per 100 uses",
                  "flow rate, mL/h", "no advice on a limit", "4 of 6 uses", "sets no flow_rate (1)",
                  "unwarned is not in the log"):  # fmt: skip
        assert words in told
    assert "<dc:date>" not in drawn
