"""Which limit an attempt is measured against, and how far it was from it."""

from __future__ import annotations

import pytest
from tests.spec.drawn_attempts import BOTH_ENGINES, read

pytestmark = BOTH_ENGINES


@pytest.mark.parametrize(
    ("limit", "tried", "times"),
    [
        ("soft high flow_rate 20 mL/h", "100", "5"),  # 100 / 20
        ("soft low flow_rate 20 mL/h", "4", "5"),  # 20 / 4
        ("soft low flow_rate 20 mL/h", "0", ""),  # the divisor is zero
        ("soft high flow_rate 0 mL/h", "4", ""),  # a limit of zero
        ("soft . flow_rate 20 mL/h", "4", ""),  # no side: over or under is not known
        ("soft high flow_rate . mL/h", "4", ""),  # no limit
    ],
)
def test_ruling_33_the_multiple_is_always_one_or_more(
    engine: str, limit: str, tried: str, times: str
) -> None:
    """Value / limit over a high limit, limit / value under a low one; null where the divisor is zero."""
    read(
        engine,
        f"""
    | at       | kind              | entry   | limit   | tried   |
    | 10:00:00 | limit_alerted     | heparin | {limit} | {tried} |
    | 10:00:30 | attempt_cancelled |         |         |         |
    """,
    ).attempts(f"""
    | attempt_id | outcome   | limit_multiple | entered_first |
    | e1         | cancelled | {times}        | {tried}       |
    """)


def test_ruling_34_an_override_is_measured_against_the_soft_limit_it_crosses_most(engine: str) -> None:
    """30 / 20 = 1.5 on the rate, 1500 / 500 = 3 on the volume: the volume's limit is shown, with its own values."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | volume_to_infuse_ml | limit                       | tried |
    | 10:00:00 | limit_alerted    |             | heparin |           |                     | soft high flow_rate 20 mL/h | 35    |
    | 10:00:04 | limit_alerted    |             | heparin |           |                     | soft high volume 500 mL     | 2000  |
    | 10:00:09 | infusion_started | limited     | heparin | 30        | 1500                |                             |       |
    """,
    ).attempts("""
    | attempt_id | limit_quantity | limit_value | limit_unit | entered_first | entered_final | limit_multiple | change_factor | outcome    |
    | e1         | volume         | 500         | mL         | 2000          | 1500          | 3              | 4/3           | overridden |
    """)


def test_ruling_34_an_override_after_a_hard_limit_is_measured_against_the_soft_one(engine: str) -> None:
    """400 met the hard limit of 50; 40 was confirmed past the soft limit of 20: 40 / 20 = 2, and 400 / 40 = 10."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted    |             | heparin |           | hard high flow_rate 50 mL/h | 400   |
    | 10:00:04 | limit_alerted    |             | heparin |           | soft high flow_rate 20 mL/h | 40    |
    | 10:00:09 | infusion_started | limited     | heparin | 40        |                             |       |
    """,
    ).attempts("""
    | attempt_id | met_soft | met_hard | limit_value | entered_first | entered_final | limit_multiple | change_factor | outcome    |
    | e1         | yes      | yes      | 20          | 400           | 40            | 2              | 10            | overridden |
    """)


def test_ruling_34_one_limit_overridden_and_another_kept_is_an_override(engine: str) -> None:
    """The weight's limit was confirmed past, the dose brought inside: outside one soft limit is overridden."""
    # 180 / 150 = 1.2
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | dose_value | dose_unit | weight_kg | limit                       | tried |
    | 10:00:00 | limit_alerted    |             |         |            |           |           | soft high weight 150 kg     | 180   |
    | 10:00:04 | limit_overridden |             |         |            |           |           |                             |       |
    | 10:00:05 | weight_changed   |             |         |            |           | 180       |                             |       |
    | 10:00:30 | limit_alerted    |             | heparin |            |           |           | soft high dose_rate 20 [IU]/kg/h | 200 |
    | 10:00:50 | infusion_started | limited     | heparin | 18         | [IU]/kg/h |           |                             |       |
    """,
    ).attempts("""
    | attempt_id | alerts | limit_quantity | entered_final | limit_multiple | outcome    | entry   |
    | e1         | 2      | weight         | 180           | 1.2            | overridden | heparin |
    """)


@pytest.mark.parametrize(
    ("confirmed", "outcome"),
    [
        ("20", "within_limits"),  # equal to the limit
        ("20.00004", "within_limits"),  # six digits: 20.0000
        ("20.00006", "overridden"),  # six digits: 20.0001
        ("19.99999", "within_limits"),
    ],
)
def test_ruling_48_equal_to_the_limit_after_six_digits_is_inside(
    engine: str, confirmed: str, outcome: str
) -> None:
    """Both sides are rounded to six significant digits before they are compared."""
    read(
        engine,
        f"""
    | at       | kind             | library_use | entry   | rate_ml_h   | limit                       | tried |
    | 10:00:00 | limit_alerted    |             | heparin |             | soft high flow_rate 20 mL/h | 40    |
    | 10:00:09 | infusion_started | limited     | heparin | {confirmed} |                             |       |
    """,
    ).attempts(f"""
    | attempt_id | outcome   |
    | e1         | {outcome} |
    """)


def test_ruling_48_values_are_compared_in_the_limits_unit(engine: str) -> None:
    """Confirmed 6 mg/h against a soft limit of 120 ug/min: 6 mg/h = 6000 / 60 = 100 ug/min, inside."""
    # first entered 240 ug/min: 240 / 120 = 2 times; 240 / 100 = 2.4
    read(
        engine,
        """
    | at       | kind             | library_use | entry    | dose_value | dose_unit | limit                          | tried |
    | 10:00:00 | limit_alerted    |             | morphine |            |           | soft high dose_rate 120 ug/min | 240   |
    | 10:00:09 | infusion_started | limited     | morphine | 6          | mg/h      |                                |       |
    """,
    ).attempts("""
    | attempt_id | outcome       | limit_unit | entered_final | limit_multiple | change_factor |
    | e1         | within_limits | ug/min     | 100           | 2              | 2.4           |
    """)


def test_ruling_51_a_dose_follows_from_rate_concentration_and_weight(engine: str) -> None:
    """Only a rate was confirmed: 15 mL/h x 1.6 mg/mL / 80 kg / 60 = 5 ug/kg/min, outside a soft limit of 4."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry    | rate_ml_h | concentration_value | concentration_unit | weight_kg | limit                           | tried |
    | 10:00:00 | limit_alerted    |             | dopamine |           |                     |                    |           | soft high dose_rate 4 ug/kg/min | 10    |
    | 10:00:09 | infusion_started | limited     | dopamine | 15        | 1.6                 | mg/mL              | 80        |                                 |       |
    """,
    ).attempts("""
    | attempt_id | outcome    | entered_final | limit_multiple | change_factor |
    | e1         | overridden | 5             | 1.25           | 2             |
    """)


def test_ruling_32_running_value_in_the_limits_unit(engine: str) -> None:
    """A change given up: 240 ug/min entered while 6 mg/h = 100 ug/min ran: 2.4."""
    read(
        engine,
        """
    | at       | kind              | library_use | entry    | dose_value | dose_unit | limit                          | tried |
    | 10:00:00 | infusion_started  | limited     | morphine | 6          | mg/h      |                                |       |
    | 10:30:00 | limit_alerted     |             | morphine |            |           | soft high dose_rate 120 ug/min | 240   |
    | 10:30:09 | attempt_cancelled |             |          |            |           |                                |       |
    | 11:30:09 | infusion_stopped  |             |          |            |           |                                |       |
    """,
    ).attempts("""
    | attempt_id | outcome   | change_factor |
    | e2         | unchanged | 2.4           |
    """)


def test_ruling_32_no_factor_where_the_unit_differs(engine: str) -> None:
    """Milligrams were tried, units of activity run: nothing to compare."""
    read(
        engine,
        """
    | at       | kind              | library_use | entry   | dose_value | dose_unit | limit                     | tried |
    | 10:00:00 | infusion_started  | limited     | heparin | 900        | [IU]/h    |                           |       |
    | 10:30:00 | limit_alerted     |             | heparin |            |           | soft high dose_rate 5 mg/h | 10   |
    | 10:30:09 | attempt_cancelled |             |         |            |           |                           |       |
    | 11:30:09 | infusion_stopped  |             |         |            |           |                           |       |
    """,
    ).attempts("""
    | attempt_id | outcome   | limit_multiple | change_factor |
    | e2         | unchanged | 2              |               |
    """)


def test_ruling_32_no_factor_where_another_entry_runs(engine: str) -> None:
    """Morphine runs and heparin was tried: the running value is another drug's."""
    read(
        engine,
        """
    | at       | kind              | library_use | entry    | rate_ml_h | limit                      | tried |
    | 10:00:00 | infusion_started  | limited     | morphine | 5         |                            |       |
    | 10:30:00 | limit_alerted     |             | heparin  |           | soft high flow_rate 20 mL/h | 40   |
    | 10:30:09 | attempt_cancelled |             |          |           |                            |       |
    | 11:30:09 | infusion_stopped  |             |          |           |                            |       |
    """,
    ).attempts("""
    | attempt_id | entry   | outcome   | limit_multiple | change_factor |
    | e2         | heparin | unchanged | 2              |               |
    """)


def test_a_final_value_of_zero_gives_no_factor(engine: str) -> None:
    """Nothing can be divided by a rate of 0."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry    | rate_ml_h | limit                       | tried |
    | 10:00:00 | infusion_started | limited     | morphine | 5         |                             |       |
    | 10:30:00 | limit_alerted    |             | morphine |           | soft high flow_rate 20 mL/h | 40    |
    | 10:30:09 | rate_changed     |             |          | 0         |                             |       |
    """,
    ).attempts("""
    | attempt_id | outcome       | entered_final | change_factor |
    | e2         | within_limits | 0             |               |
    """)


def test_ruling_34_limits_come_from_the_alerts_and_the_last_one_holds(engine: str) -> None:
    """The same limit told twice with other values: the later one holds (a weight changed it): 30 against 36 is inside."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted    |             | heparin |           | soft high flow_rate 20 mL/h | 60    |
    | 10:00:20 | limit_alerted    |             | heparin |           | soft high flow_rate 36 mL/h | 50    |
    | 10:00:40 | infusion_started | limited     | heparin | 30        |                             |       |
    """,
    ).attempts("""
    | attempt_id | outcome       | limit_value | limit_multiple | entered_first | entered_final | change_factor |
    | e1         | within_limits | 20          | 3              | 60            | 30            | 2             |
    """)


def test_ruling_19_a_secondary_reverses_no_override_of_its_primary(engine: str) -> None:
    """Overridden on the primary; what starts beside it within ten minutes, inside that limit, is another line."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | limit                       | tried | fluid_source |
    | 10:00:00 | limit_alerted    |             | heparin |           | soft high flow_rate 20 mL/h | 40    |              |
    | 10:00:10 | infusion_started | limited     | heparin | 40        |                             |       | primary      |
    | 10:05:00 | infusion_started | limited     |         | 15        |                             |       | secondary    |
    | 10:30:00 | infusion_stopped |             |         |           |                             |       |              |
    """,
    ).attempts("""
    | attempt_id | outcome    | entered_final | reversed |
    | e1         | overridden | 40            | no       |
    """)
