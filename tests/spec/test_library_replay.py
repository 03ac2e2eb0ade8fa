"""Replaying recorded values against a proposed library: small logs, every number worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest
from tests.library_samples import limit_row, logged_once

from dripledger.library.replay import Replay, replay

#: Heparin started inside, changed past a soft limit of 20 (overridden at 25), then 100 tried against a hard limit
#: of 50 and brought to 18; then stopped.
LOG = """
| at       | kind             | library_use | entry   | rate_ml_h | limit                       | tried |
| 10:00:00 | infusion_started | limited     | heparin | 10        |                             |       |
| 10:30:00 | limit_alerted    |             | heparin |           | soft high flow_rate 20 mL/h | 25    |
| 10:30:05 | limit_overridden |             | heparin |           | soft high flow_rate 20 mL/h | 25    |
| 10:30:06 | rate_changed     |             | heparin | 25        |                             |       |
| 11:30:00 | limit_alerted    |             | heparin |           | hard high flow_rate 50 mL/h | 100   |
| 11:30:09 | rate_changed     |             | heparin | 18        |                             |       |
| 13:00:00 | infusion_stopped |             |         |           |                             |       |
"""


#: At 1 mg/mL 10 is started and 25 overridden past 20; at 2 mg/mL 3 is started, 4 set, then a new volume; after the
#: power was off 7 is started and nobody says at which strength.
STRENGTHS = """
| at       | kind              | library_use | entry   | rate_ml_h | concentration_value | concentration_unit | volume_to_infuse_ml | limit                       | tried |
| 10:00:00 | infusion_started  | limited     | heparin | 10        | 1                   | mg/mL              |                     |                             |       |
| 10:30:00 | limit_alerted     |             | heparin |           |                     |                    |                     | soft high flow_rate 20 mL/h | 25    |
| 10:30:05 | limit_overridden  |             | heparin |           |                     |                    |                     | soft high flow_rate 20 mL/h | 25    |
| 10:30:06 | rate_changed      |             | heparin | 25        |                     |                    |                     |                             |       |
| 12:00:00 | infusion_stopped  |             |         |           |                     |                    |                     |                             |       |
| 14:00:00 | infusion_started  | limited     | heparin | 3         | 2                   | mg/mL              |                     |                             |       |
| 14:30:00 | rate_changed      |             | heparin | 4         |                     |                    |                     |                             |       |
| 14:40:00 | programme_changed |             | heparin |           |                     |                    | 300                 |                             |       |
| 15:00:00 | infusion_stopped  |             |         |           |                     |                    |                     |                             |       |
| 15:30:00 | powered_off       |             |         |           |                     |                    |                     |                             |       |
| 15:40:00 | powered_on        |             |         |           |                     |                    |                     |                             |       |
| 16:00:00 | infusion_started  | limited     | heparin | 7         |                     |                    |                     |                             |       |
| 17:00:00 | infusion_stopped  |             |         |           |                     |                    |                     |                             |       |
"""


def _replay(log: str, *rows: dict[str, Any], records: str = '["all"]') -> Replay:
    proposed = [limit_row(number=n, **row) for n, row in enumerate(rows, start=2)]
    return replay(logged_once(log, records), proposed)


def _line(found: Replay) -> dict[str, Any]:
    (line,) = found.summary.to_pylist()
    return line


def test_the_library_that_was_in_force_gives_the_logged_alerts() -> None:
    """Recorded: 10, 25 and 18 confirmed, 25 and 100 warned about; 25 counts once, as the alert that it was."""
    found = _replay(LOG, {"soft_high": 20.0, "hard_high": 50.0})
    assert _line(found) == {
        "care_area": "ICU", "entry": "heparin", "uses": 3, "alerts_logged": 2, "alerts_stay": 2,
        "alerts_fall_away": 0, "fall_away_then_within": 0, "alerts_new": 0, "soft_to_hard": 0, "hard_to_soft": 0,
        "infusions_blocked": 0, "alerts_not_comparable": 0, "values_not_comparable": 0, "bypassed_outside": 0,
        "left_out_unable": 0,
    }  # fmt: skip
    assert found.cases.num_rows == 0


def test_a_loosened_limit_lets_alerts_fall_away() -> None:
    """Soft 30, hard 120: 25 is inside; 100 is past 30 only, so a hard stop becomes a soft warning."""
    line = _line(_replay(LOG, {"soft_high": 30.0, "hard_high": 120.0}))
    assert (line["alerts_stay"], line["alerts_fall_away"], line["alerts_new"], line["hard_to_soft"]) == (
        1,
        1,
        0,
        1,
    )
    assert line["fall_away_then_within"] == 0  # 25 was overridden


def test_a_warning_that_led_to_a_change_is_counted_when_it_falls_away() -> None:
    """Soft 200: both fall away, and the attempt at 100 was then brought within limits."""
    found = _replay(LOG, {"soft_high": 200.0})
    line = _line(found)
    assert (line["alerts_fall_away"], line["fall_away_then_within"]) == (2, 1)
    cases = [
        (c["what"], c["case_id"], c["recorded_value"], c["logged"], c["outcome"])
        for c in found.cases.to_pylist()
    ]
    assert cases == [
        ("falls_away", "e2", 25.0, "soft high", "overridden"),
        ("falls_away", "e5", 100.0, "hard high", "within_limits"),
    ]
    assert {c["shift"] for c in found.cases.to_pylist()} == {"08-16"}


def test_a_tightened_limit_brings_new_alerts_and_blocks_what_ran() -> None:
    """Soft 9, hard 15: 10 is past 9 (new, soft); 25 hardens and ran, 18 is past 15 (new, hard): the infusion of both
    would have been stopped, which is one infusion."""
    found = _replay(LOG, {"soft_high": 9.0, "hard_high": 15.0})
    line = _line(found)
    assert (line["alerts_new"], line["soft_to_hard"], line["infusions_blocked"]) == (2, 1, 1)
    blocked = [c["recorded_value"] for c in found.cases.to_pylist() if c["what"] == "blocked"]
    assert sorted(blocked) == [18.0, 25.0]


def test_a_value_equal_to_a_limit_is_inside() -> None:
    """Ruling 48: 25 against 25 is inside; to six digits 25.00004 is 25 as well."""
    assert _line(_replay(LOG, {"soft_high": 25.0}))["alerts_fall_away"] == 1
    assert _line(_replay(LOG, {"soft_high": 24.99996}))["alerts_fall_away"] == 1
    assert _line(_replay(LOG, {"soft_high": 24.9}))["alerts_fall_away"] == 0


def test_low_limits_warn_below() -> None:
    """Soft low 12: 10 is below it (new); 25, 100 and 18 are not, so both logged alerts fall away."""
    line = _line(_replay(LOG, {"soft_low": 12.0}))
    assert (line["alerts_new"], line["alerts_fall_away"]) == (1, 2)


def test_a_quantity_without_a_limit_lets_its_alerts_fall_away() -> None:
    assert _line(_replay(LOG, {"quantity": "volume", "soft_high": 500.0}))["alerts_fall_away"] == 2


def test_an_entry_that_the_proposal_does_not_hold_is_not_compared() -> None:
    line = _line(_replay(LOG, {"entry": "insulin", "soft_high": 1.0}))
    assert (line["alerts_not_comparable"], line["alerts_fall_away"], line["values_not_comparable"]) == (
        2,
        0,
        3,
    )


DOSED = """
| at       | kind             | library_use | entry   | rate_ml_h | concentration_value | concentration_unit | weight_kg | limit                            | tried | care_area |
| 10:00:00 | infusion_started | limited     | heparin | 6         | 100                 | [IU]/mL            | 50        |                                  |       | ICU       |
| 10:30:00 | limit_alerted    |             | heparin |           |                     |                    |           | soft high dose_rate 18 [IU]/kg/h | 24    |           |
| 10:30:06 | rate_changed     |             | heparin | 12        |                     |                    |           |                                  |       |           |
| 13:00:00 | infusion_stopped |             |         |           |                     |                    |           |                                  |       |           |
"""


def test_values_are_put_into_the_unit_of_the_limit() -> None:
    """6 mL/h x 100 IU/mL / 50 kg = 12 IU/kg/h; 12 mL/h is 24, which is the value warned about. A limit of 1000 IU/h
    is 20 IU/kg/h at 50 kg: 24 stays, 12 is inside. One of 500 IU/h is 10: 12 is new."""
    unit = {"dosing_unit": "[IU]/kg/h", "quantity": "dose_rate"}
    assert _line(_replay(DOSED, unit | {"soft_high": 18.0}))["alerts_stay"] == 1
    hourly = unit | {"dosing_unit": "[IU]/h"}
    line = _line(_replay(DOSED, hourly | {"soft_high": 1000.0}))
    assert (line["alerts_stay"], line["alerts_new"], line["alerts_logged"]) == (1, 0, 1)
    assert _line(_replay(DOSED, hourly | {"soft_high": 500.0}))["alerts_new"] == 1


CARRIED = """
| at       | kind              | library_use | entry   | rate_ml_h | dose_value | dose_unit | concentration_value | concentration_unit | weight_kg | volume_to_infuse_ml |
| 10:00:00 | infusion_started  | limited     | heparin | 27        | 0.75       | ug/kg/min | 100                 | ug/mL              | 60        |                     |
| 10:30:00 | rate_changed      |             | heparin | 19.6      |            |           |                     |                    |           |                     |
| 10:45:00 | programme_changed |             | heparin |           |            |           |                     |                    |           | 300                 |
| 11:00:00 | infusion_paused   |             |         |           |            |           |                     |                    |           |                     |
| 11:05:00 | infusion_resumed  |             | heparin | 14.6      |            |           |                     |                    |           |                     |
| 12:00:00 | rate_changed      |             | heparin | 27        |            |           |                     |                    |           |                     |
| 13:00:00 | infusion_stopped  |             |         |           |            |           |                     |                    |           |                     |
"""
PER_KG = {"dosing_unit": "ug/kg/min", "quantity": "dose_rate"}


def _confirmed(found: Replay) -> list[tuple[float | None, str]]:
    rows = sorted(found.compared.to_pylist(), key=lambda row: row["happened_at"])
    return [(row["value_6"], row["verdict"]) for row in rows]


def test_a_dose_that_was_told_with_another_rate_is_not_held_against_a_limit() -> None:
    """0.75 ug/kg/min x 60 kg / 100 ug/mL = 27 mL/h. Then only rates: 19.6 is 0.544444, 14.6 is 0.405556, 27 is the
    told 0.75 again; the new volume at 10:45 sets no rate. Past a hard high of 0.6 are the first and the last."""
    found = _replay(CARRIED, PER_KG | {"hard_high": 0.6})
    assert _confirmed(found) == [
        (0.75, "hard high"), (0.544444, "inside"), (0.405556, "inside"), (0.75, "hard high"),
    ]  # fmt: skip
    blocked = [c["recorded_value"] for c in found.cases.to_pylist() if c["what"] == "blocked"]
    assert blocked == [0.75, 0.75]


@pytest.mark.parametrize(
    ("unknown", "reason"),
    [
        ("60 ", "the limit is per kilogram, and no weight is known"),
        ("100 ", "no concentration is known, and no dose follows from the rate"),
    ],
)
def test_where_weight_or_concentration_is_missing_a_rate_says_nothing_of_the_dose(
    unknown: str, reason: str
) -> None:
    """The start logs its dose, and 27 is its rate; from 19.6 and 14.6 no dose follows."""
    found = _replay(CARRIED.replace(f"| {unknown}", "|" + " " * len(unknown)), PER_KG | {"hard_high": 0.6})
    not_said = (None, f"not comparable: {reason}")
    assert _confirmed(found) == [(0.75, "hard high"), not_said, not_said, (0.75, "hard high")]


def test_another_weight_makes_another_dose_of_the_same_rate() -> None:
    """Ruling 27: the rate stays. 27 mL/h at 30 kg is 1.5 ug/kg/min, and a new rate of 13.5 is 0.75."""
    log = """
| at       | kind              | library_use | entry   | rate_ml_h | dose_value | dose_unit | concentration_value | concentration_unit | weight_kg |
| 10:00:00 | infusion_started  | limited     | heparin | 27        | 0.75       | ug/kg/min | 100                 | ug/mL              | 60        |
| 10:30:00 | weight_changed    |             |         |           |            |           |                     |                    | 30        |
| 11:00:00 | rate_changed      |             | heparin | 13.5      |            |           |                     |                    |           |
| 12:00:00 | rate_changed      |             | heparin | 27        |            |           |                     |                    |           |
| 13:00:00 | infusion_stopped  |             |         |           |            |           |                     |                    |           |
"""
    found = _replay(log, PER_KG | {"hard_high": 1.0})
    assert _confirmed(found) == [(0.75, "inside"), (0.75, "inside"), (1.5, "hard high")]


def test_a_dose_carried_into_another_start_outside_the_library_is_not_its_own() -> None:
    """10 mL/h x 100 [IU]/mL = 1000 [IU]/h; the next start logs 2 mL/h alone, which is 200."""
    log = """
| at       | kind             | library_use | entry   | rate_ml_h | dose_value | dose_unit | concentration_value | concentration_unit |
| 10:00:00 | infusion_started | bypassed    | heparin | 10        | 1000       | [IU]/h    | 100                 | [IU]/mL            |
| 11:00:00 | infusion_stopped |             |         |           |            |           |                     |                    |
| 13:00:00 | infusion_started | bypassed    | heparin | 2         |            |           |                     |                    |
| 14:00:00 | infusion_stopped |             |         |           |            |           |                     |                    |
"""
    found = _replay(log, {"dosing_unit": "[IU]/h", "quantity": "dose_rate", "soft_high": 500.0})
    assert _confirmed(found) == [(1000.0, "soft high"), (200.0, "inside")]


def test_units_never_become_a_mass() -> None:
    line = _line(_replay(DOSED, {"dosing_unit": "mg/h", "quantity": "dose_rate", "soft_high": 1.0}))
    assert (line["alerts_not_comparable"], line["values_not_comparable"], line["alerts_new"]) == (1, 2, 0)


def test_rows_for_weights_and_concentrations() -> None:
    """50 kg lies in the upper of two bands that touch at 50; a row for another concentration does not count."""
    unit = {"dosing_unit": "[IU]/kg/h", "quantity": "dose_rate"}
    bands = (
        unit | {"soft_high": 1.0, "weight_max_kg": 50.0},
        unit | {"soft_high": 20.0, "weight_min_kg": 50.0},
        unit | {"soft_high": 2.0, "concentration_value": 25.0, "concentration_unit": "[IU]/mL"},
    )
    line = _line(_replay(DOSED, *bands))
    assert (line["alerts_stay"], line["alerts_new"]) == (1, 0)


def test_a_weight_that_is_not_known_leaves_rows_that_differ_unclear() -> None:
    rows = ({"soft_high": 20.0, "weight_max_kg": 10.0}, {"soft_high": 5.0, "weight_min_kg": 10.0})
    found = _replay(LOG, *rows)
    line = _line(found)
    # 25 and 100 are past both; 10 and 18 only past one of the two
    (reason,) = {row["reason"] for row in found.not_comparable.to_pylist()}
    assert reason.startswith("may fall under several rows that differ")
    assert (line["alerts_stay"], line["values_not_comparable"], line["alerts_new"]) == (2, 2, 0)


def test_a_change_of_volume_warns_of_no_rate_again() -> None:
    """25 mL/h was overridden once; a new volume at 10:45 leaves the rate, and a pump does not ask again."""
    more = """
| 10:45:00 | programme_changed |             | heparin |           |                             |       |
"""
    lines = LOG.strip().splitlines()
    log = "\n".join([*lines[:5], more.strip(), *lines[5:]]).replace(
        "| tried |", "| tried | volume_to_infuse_ml |"
    )
    log = "\n".join(
        line if "volume_to_infuse_ml" in line else line + (" 300 |" if "programme_changed" in line else "  |")
        for line in log.splitlines()
    )
    line = _line(_replay(log, {"soft_high": 20.0, "hard_high": 50.0}))
    assert (line["uses"], line["alerts_stay"], line["alerts_new"]) == (4, 2, 0)


def test_a_source_that_cannot_warn_is_left_out() -> None:
    """No alert was logged because none can be: nothing is new, and its programmings are counted apart."""
    log = "\n".join(line for line in LOG.splitlines() if "limit_" not in line)
    line = _line(_replay(log, {"soft_high": 5.0}, records='["infusion_started", "rate_changed"]'))
    assert (line["uses"], line["left_out_unable"], line["alerts_new"]) == (0, 3, 0)


BYPASSED = """
| at       | kind             | library_use | entry   | rate_ml_h |
| 10:00:00 | infusion_started | bypassed    | heparin | 40        |
| 11:00:00 | infusion_stopped |             |         |           |
| 13:00:00 | powered_off      |             |         |           |
| 13:30:00 | powered_on       |             |         |           |
| 14:00:00 | infusion_started | bypassed    |         | 40        |
| 15:00:00 | infusion_stopped |             |         |           |
"""


def test_outside_the_library_only_a_declared_entry_is_compared() -> None:
    """40 is past 30 for the first; of the second nobody knows the drug. Neither is an alert of the library."""
    line = _line(_replay(BYPASSED, {"soft_high": 30.0}))
    assert (line["bypassed_outside"], line["alerts_new"], line["uses"]) == (1, 0, 0)


ALONE = """
| at       | kind             | library_use | entry   | rate_ml_h | limit                       | tried |
| 10:00:00 | infusion_started | limited     | heparin | 10        |                             |       |
| 10:30:05 | limit_overridden |             | heparin |           | soft high flow_rate 20 mL/h | 25    |
| 10:30:06 | rate_changed     |             | heparin | 25        |                             |       |
| 13:00:00 | infusion_stopped |             |         |           |                             |       |
"""


def test_an_override_row_alone_is_an_alert() -> None:
    """Ruling 36."""
    line = _line(_replay(ALONE, {"soft_high": 20.0}))
    assert (line["alerts_logged"], line["alerts_stay"], line["alerts_new"]) == (1, 1, 0)


STRENGTH = """
| at       | kind             | library_use | entry   | rate_ml_h | concentration_value | concentration_unit | weight_kg | limit                       | tried |
| 10:00:00 | infusion_started | limited     | heparin | 10        | 2                   | mg/mL              | 10        |                             |       |
| 10:30:00 | limit_alerted    |             | heparin |           |                     |                    |           | soft high flow_rate 20 mL/h | 25    |
| 10:30:05 | limit_overridden |             | heparin |           |                     |                    |           | soft high flow_rate 20 mL/h | 25    |
| 10:30:06 | rate_changed     |             | heparin | 25        | 2                   | mg/mL              | 10        |                             |       |
| 13:00:00 | infusion_stopped |             |         |           |                     |                    |           |                             |       |
"""
ONE = {"concentration_value": 1.0, "concentration_unit": "mg/mL"}
TWO = ONE | {"concentration_value": 2.0}


@pytest.mark.parametrize(
    "band", [ONE, {"weight_max_kg": 9.0}, {"weight_min_kg": 11.0, "weight_max_kg": 50.0}]
)
def test_a_strength_or_weight_that_the_proposal_does_not_hold_is_not_compared(band: dict[str, Any]) -> None:
    """Recorded at 2 mg/mL and 10 kg: limits for another strength or weight say nothing, and nothing falls away."""
    found = _replay(STRENGTH, band | {"soft_high": 1.0, "hard_high": 2.0})
    line = _line(found)
    assert (line["alerts_fall_away"], line["alerts_new"]) == (0, 0)
    assert (line["alerts_not_comparable"], line["values_not_comparable"]) == (1, 2)
    reasons = {row["reason"] for row in found.not_comparable.to_pylist()}
    assert reasons == {"the proposal holds no row for this concentration or weight"}


def test_the_upper_of_two_bands_has_the_weight_that_they_share_also_where_the_lower_has_no_floor() -> None:
    """10 kg belongs to 10-50 kg and its soft 20: 25 is past it, 10 is not."""
    line = _line(_replay(STRENGTH, {"weight_max_kg": 10.0, "soft_high": 5.0},
                         {"weight_min_kg": 10.0, "weight_max_kg": 50.0, "soft_high": 20.0}))  # fmt: skip
    assert (line["alerts_stay"], line["alerts_new"], line["alerts_not_comparable"]) == (1, 0, 0)
    assert line["values_not_comparable"] == 0


def test_an_alert_is_held_against_the_strength_in_force_at_it_not_the_one_confirmed_later() -> None:
    """25 was tried at 2 mg/mL, whose soft limit is 20; at 1 mg/mL, confirmed after the warning, 25 is inside 30."""
    first, last = STRENGTH.rsplit("| 2 ", 1)
    found = _replay(f"{first}| 1 {last}", ONE | {"soft_high": 30.0}, TWO | {"soft_high": 20.0})
    line = _line(found)
    assert (line["alerts_stay"], line["alerts_fall_away"], line["alerts_not_comparable"]) == (1, 0, 0)


@pytest.mark.parametrize(("unknown", "counted"), [(False, [("2 mg/mL", 2)]), (True, [])])
def test_centiles_hold_what_is_known_to_fall_under_their_row(
    unknown: bool, counted: list[tuple[str, int]]
) -> None:
    """10 is inside both rows and 25 inside one: without its strength, neither belongs to one of them."""
    log = STRENGTH.replace("| 2 ", "|   ").replace("| mg/mL", "|      ") if unknown else STRENGTH
    found = _replay(log, ONE | {"soft_high": 20.0}, TWO | {"soft_high": 100.0}).centiles.to_pylist()
    assert [(row["concentration"], row["n"]) for row in found] == counted


#: Past 20 with 25.004, and what runs is told as 25; then past 20 with a value that the log does not name.
ROUNDED = """
| at       | kind             | library_use | entry   | rate_ml_h | limit                       | tried  |
| 10:00:00 | infusion_started | limited     | heparin | 10        |                             |        |
| 10:30:00 | limit_alerted    |             | heparin |           | soft high flow_rate 20 mL/h | 25.004 |
| 10:30:05 | limit_overridden |             | heparin |           | soft high flow_rate 20 mL/h | 25.004 |
| 10:30:06 | rate_changed     |             | heparin | 25        |                             |        |
| 11:30:00 | limit_alerted    |             | heparin |           | soft high flow_rate 20 mL/h |        |
| 11:30:05 | limit_overridden |             | heparin |           | soft high flow_rate 20 mL/h |        |
| 11:30:06 | rate_changed     |             | heparin | 30        |                             |        |
| 13:00:00 | infusion_stopped |             |         |           |                             |        |
"""


def test_an_override_is_one_warning_though_its_values_are_rounded_or_not_named() -> None:
    line = _line(_replay(ROUNDED, {"soft_high": 20.0}))
    assert (line["alerts_logged"], line["alerts_stay"], line["alerts_new"]) == (2, 1, 0)
    assert line["alerts_not_comparable"] == 1
    # a hard limit would have stopped 30 and 25, whatever was warned about: one infusion
    assert _line(_replay(ROUNDED, {"hard_high": 20.0}))["infusions_blocked"] == 1


#: 10 under release 7 (soft 20), then 30 under release 8 (soft 40), named with the change; P keeps running.
RELEASED = """
| at       | kind              | library_use | entry   | rate_ml_h | library_version |
| 10:00:00 | infusion_started  | limited     | heparin | 10        | 7               |
| 11:00:00 | library_installed |             |         |           | 8               |
| 11:30:00 | rate_changed      |             | heparin | 30        | 8               |
| 13:00:00 | infusion_stopped  |             |         |           |                 |
"""


@pytest.mark.parametrize(("seven", "eight", "new"), [(20.0, 40.0, 0), (40.0, 20.0, 1)])
def test_a_change_is_held_against_the_version_that_it_was_made_under(
    seven: float, eight: float, new: int
) -> None:
    rows = [
        limit_row(number=2, version="7", soft_high=seven),
        limit_row(number=3, version="8", soft_high=eight),
    ]
    assert _line(replay(logged_once(RELEASED), rows, by_version=True))["alerts_new"] == new
