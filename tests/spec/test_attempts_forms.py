"""The forms in which logs write a limit alert: each must read as the same attempt."""

from __future__ import annotations

import pytest
from tests.spec.drawn_attempts import BOTH_ENGINES, read

pytestmark = BOTH_ENGINES

_RUNS = """
| at       | kind             | library_use | entry    | dose_value | dose_unit | limit | tried | decision_logged | alarm_kind | alarm_priority |
| 10:00    | infusion_started | limited     | morphine | 4          | mg/h      |       |       |                 |            |                |
"""
_ENDS = """
| 14:00    | infusion_stopped |             |          |            |           |       |       |                 |            |                |
"""

#: form -> (rows between start and stop, the first alert's row)
_OVERRIDE_FORMS = {
    "an alert row, then a decision row": """
| 10:30:00 | limit_alerted    |             | morphine |            |           | soft high dose_rate 5 mg/h | 8 |          |            |                |
| 10:30:06 | limit_overridden |             |          |            |           |       |       |                 |            |                |
| 10:30:06 | rate_changed     |             |          | 8          | mg/h      |       |       |                 |            |                |
""",
    "an alert row, a key row, and what was confirmed": """
| 10:30:00 | limit_alerted    |             | morphine |            |           | soft high dose_rate 5 mg/h | 8 |          |            |                |
| 10:30:06 | key_pressed      |             |          |            |           |       |       |                 |            |                |
| 10:30:06 | rate_changed     |             |          | 8          | mg/h      |       |       |                 |            |                |
""",
    "one row with the decision": """
| 10:30:00 | limit_alerted    |             | morphine |            |           | soft high dose_rate 5 mg/h | 8 | overridden |          |                |
| 10:30:06 | rate_changed     |             |          | 8          | mg/h      |       |       |                 |            |                |
""",
    "an override row alone": """
| 10:30:00 | limit_overridden |             | morphine |            |           | soft high dose_rate 5 mg/h | 8 |          |            |                |
| 10:30:06 | rate_changed     |             |          | 8          | mg/h      |       |       |                 |            |                |
""",
    "an alert row, repeated as a low-priority alarm": """
| 10:30:00 | limit_alerted    |             | morphine |            |           | soft high dose_rate 5 mg/h | 8 |          |            |                |
| 10:30:01 | alarm_raised     |             |          |            |           |       |       |                 | limit_alert | low           |
| 10:30:06 | alarm_cleared    |             |          |            |           |       |       |                 | limit_alert |               |
| 10:30:06 | limit_overridden |             |          |            |           |       |       |                 |            |                |
| 10:30:06 | rate_changed     |             |          | 8          | mg/h      |       |       |                 |            |                |
""",
}


@pytest.mark.parametrize("form", _OVERRIDE_FORMS)
def test_every_form_of_an_override_reads_the_same(engine: str, form: str) -> None:
    """However a log writes it: one alert at 10:30, 8 against 5 is 1.6 times, overridden."""
    found = read(engine, _RUNS.strip() + _OVERRIDE_FORMS[form] + _ENDS)
    found.attempts("""
    | attempt_id | infusion_id | channel | entry    | first_alert_at | alerts | met_soft | met_hard | limit_side | limit_quantity | limit_value | limit_unit | entered_first | entered_final | limit_multiple | change_factor | outcome    | reversed |
    | e2         | e1          | A       | morphine | 10:30          | 1      | yes      | no       | high       | dose_rate      | 5           | mg/h       | 8             | 8             | 1.6            | 1             | overridden | no       |
    """)
    found.alarms("| alarm_id |")


_WITHIN_FORMS = {
    "an alert row, then a decision row": """
| 10:30:00 | limit_alerted    |             | morphine |            |           | soft high dose_rate 5 mg/h | 50 |         |            |                |
| 10:30:06 | reprogrammed_within_limits | |            |            |           |       | |                       |            |                |
| 10:30:06 | rate_changed     |             |          | 5          | mg/h      |       |       |                 |            |                |
""",
    "one row with the decision": """
| 10:30:00 | limit_alerted    |             | morphine |            |           | soft high dose_rate 5 mg/h | 50 | within_limits |   |                |
| 10:30:06 | rate_changed     |             |          | 5          | mg/h      |       |       |                 |            |                |
""",
    "only what was confirmed": """
| 10:30:00 | limit_alerted    |             | morphine |            |           | soft high dose_rate 5 mg/h | 50 |         |            |                |
| 10:30:06 | rate_changed     |             |          | 5          | mg/h      |       |       |                 |            |                |
""",
}


@pytest.mark.parametrize("form", _WITHIN_FORMS)
def test_every_form_of_a_reprogramming_reads_the_same(engine: str, form: str) -> None:
    """50 entered for 5: ten times the limit of 5, and first / final = 10; a value equal to the limit is inside."""
    found = read(engine, _RUNS.strip() + _WITHIN_FORMS[form] + _ENDS)
    found.attempts("""
    | attempt_id | infusion_id | alerts | entered_first | entered_final | limit_multiple | change_factor | outcome       |
    | e2         | e1          | 1      | 50            | 5             | 10             | 10            | within_limits |
    """)


def test_ruling_36_a_row_of_reprogramming_alone_is_alert_and_decision(engine: str) -> None:
    """A row that says 'brought within limits' with no alert open counts as the alert too."""
    read(
        engine,
        """
    | at       | kind                       | library_use | entry   | rate_ml_h | limit                        | tried |
    | 10:00:00 | reprogrammed_within_limits |             | heparin |           | soft high flow_rate 20 mL/h  | 15    |
    | 10:00:05 | infusion_started           | limited     | heparin | 15        |                              |       |
    | 11:00:00 | infusion_stopped           |             |         |           |                              |       |
    """,
    ).attempts("""
    | attempt_id | infusion_id | alerts | decided_at | outcome       | entered_final |
    | e1         | e2          | 1      | 10:00:00   | within_limits | 15            |
    """)


def test_ruling_36_two_override_rows_alone_are_two_alerts_of_one_attempt(engine: str) -> None:
    """Each override that no alert waits for is an alert; both lie in one attempt because nothing ended it between."""
    # 30 / 20 = 1.5 on the rate, 900 / 500 = 1.8 on the volume: the larger one is shown
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | volume_to_infuse_ml | limit                       | tried |
    | 10:00:00 | limit_overridden |             | heparin |           |                     | soft high flow_rate 20 mL/h | 30    |
    | 10:00:05 | limit_overridden |             | heparin |           |                     | soft high volume 500 mL     | 900   |
    | 10:00:09 | infusion_started | limited     | heparin | 30        | 900                 |                             |       |
    | 11:00:00 | infusion_stopped |             |         |           |                     |                             |       |
    """,
    ).attempts("""
    | attempt_id | last_alert_at | decided_at | alerts | limit_quantity | limit_multiple | outcome    |
    | e1         | 10:00:05      | 10:00:05   | 2      | volume         | 1.8            | overridden |
    """)


def test_ruling_36_an_alert_answered_is_not_counted_again(engine: str) -> None:
    """Two alerts, each answered by an override row of its own: two alerts, not four."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | limit                       | tried |
    | 10:00:00 | limit_alerted    |             | heparin |           | soft high flow_rate 20 mL/h | 30    |
    | 10:00:02 | limit_overridden |             |         |           |                             |       |
    | 10:00:05 | limit_alerted    |             | heparin |           | soft high volume 500 mL     | 900   |
    | 10:00:07 | limit_overridden |             |         |           |                             |       |
    | 10:00:09 | infusion_started | limited     | heparin | 30        |                             |       |
    """,
    ).attempts("""
    | attempt_id | alerts | outcome    | limit_quantity | limit_multiple |
    | e1         | 2      | overridden | volume         | 1.8            |
    """)


def test_an_alert_told_twice_under_one_id_is_one(engine: str) -> None:
    """A log that repeats an alert's row with its id, the second time with the decision, had one alert."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | alert_id | decision_logged | limit                       | tried |
    | 10:00:00 | limit_alerted    |             | heparin |           | a7       |                 | soft high flow_rate 20 mL/h | 30    |
    | 10:00:02 | limit_alerted    |             | heparin |           | a7       | overridden      | soft high flow_rate 20 mL/h | 30    |
    | 10:00:02 | limit_overridden |             |         |           | a7       |                 |                             |       |
    | 10:00:09 | infusion_started | limited     | heparin | 30        |          |                 |                             |       |
    """,
    ).attempts("""
    | attempt_id | last_alert_at | decided_at | alerts | outcome    |
    | e1         | 10:00:00      | 10:00:02   | 1      | overridden |
    """)


def test_ruling_40_an_alarm_far_from_any_alert_is_an_alert_of_unknown_limit(engine: str) -> None:
    """Raised as 'limit alert' with none within 5 s, the alarm is itself the alert: no row in alarms, limit not known."""
    found = read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | alarm_kind  | alarm_priority |
    | 10:00:00 | infusion_started | limited     | heparin | 10        |             |                |
    | 10:30:00 | alarm_raised     |             |         |           | limit_alert | low            |
    | 10:30:04 | alarm_cleared    |             |         |           | limit_alert |                |
    | 10:30:09 | rate_changed     |             |         | 12        |             |                |
    | 12:00:00 | infusion_stopped |             |         |           |             |                |
    """,
    )
    found.attempts("""
    | attempt_id | alerts | met_soft | met_hard | limit_side | limit_value | limit_multiple | outcome |
    | e2         | 1      | no       | no       |            |             |                | unknown |
    """)
    found.alarms("| alarm_id |")


@pytest.mark.parametrize(("second", "attempts"), [("05", 1), ("06", 2)])
def test_ruling_40_five_seconds_fold_and_six_do_not(engine: str, second: str, attempts: int) -> None:
    """5 s from the alert are still near; at 6 s the alarm is an alert of its own, and joins the same attempt."""
    read(
        engine,
        f"""
    | at          | kind             | library_use | entry   | rate_ml_h | alarm_kind  | limit                       | tried |
    | 10:00:00    | limit_alerted    |             | heparin |           |             | soft high flow_rate 20 mL/h | 30    |
    | 10:00:{second} | alarm_raised     |             |         |           | limit_alert |                             |       |
    | 10:00:09    | infusion_started | limited     | heparin | 30        |             |                             |       |
    """,
    ).attempts(f"""
    | attempt_id | alerts     | outcome    |
    | e1         | {attempts} | overridden |
    """)


def test_ruling_40_the_alarm_may_stand_before_the_alert_but_not_on_another_channel(engine: str) -> None:
    """Near means before or after; an alarm of channel B near an alert of channel A is B's own alert."""
    read(
        engine,
        """
    | at       | kind             | channel | library_use | entry   | rate_ml_h | alarm_kind  | limit                       | tried |
    | 10:00:00 | alarm_raised     | A       |             |         |           | limit_alert |                             |       |
    | 10:00:01 | alarm_raised     | B       |             |         |           | limit_alert |                             |       |
    | 10:00:03 | limit_alerted    | A       |             | heparin |           |             | soft high flow_rate 20 mL/h | 30    |
    | 10:00:09 | infusion_started | A       | limited     | heparin | 30        |             |                             |       |
    """,
    ).attempts("""
    | attempt_id | channel | alerts | outcome    |
    | e2         | B       | 1      | unknown    |
    | e3         | A       | 1      | overridden |
    """)


def test_ruling_40_an_unknown_limit_is_answered_by_the_row_that_names_it(engine: str) -> None:
    """An alert seen only as an alarm, then an override row with the limit: one soft alert, 30 / 20 = 1.5 times."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | alarm_kind  | limit                       | tried |
    | 10:00:00 | alarm_raised     |             |         |           | limit_alert |                             |       |
    | 10:00:08 | limit_overridden |             | heparin |           |             | soft high flow_rate 20 mL/h | 30    |
    | 10:00:09 | infusion_started | limited     | heparin | 30        |             |                             |       |
    """,
    ).attempts("""
    | attempt_id | alerts | met_soft | limit_value | limit_multiple | outcome    |
    | e1         | 1      | yes      | 20          | 1.5            | overridden |
    """)


def test_ruling_44_a_decision_nobody_filed_decides_nothing(engine: str) -> None:
    """An unmapped decision word leaves the outcome to what was confirmed: 18 against 20 is inside."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | decision_logged | limit                       | tried |
    | 10:00:00 | limit_alerted    |             | heparin |           | unmapped        | soft high flow_rate 20 mL/h | 30    |
    | 10:00:09 | infusion_started | limited     | heparin | 18        |                 |                             |       |
    """,
    ).attempts("""
    | attempt_id | decided_at | outcome       |
    | e1         | 10:00:09   | within_limits |
    """)


def test_an_alert_on_a_bolus(engine: str) -> None:
    """A bolus is confirmed too: 4 mg against a soft limit of 3 mg is 4/3 times, overridden."""
    found = read(
        engine,
        """
    | at       | kind             | library_use | entry    | dose_value | dose_unit | bolus_dose_value | limit                    | tried |
    | 10:00:00 | infusion_started | limited     | morphine | 2          | mg/h      |                  |                          |       |
    | 10:20:00 | limit_alerted    |             | morphine |            |           |                  | soft high bolus_dose 3 mg | 4    |
    | 10:20:05 | bolus_started    |             |          |            |           | 4                |                          |       |
    | 10:21:00 | bolus_ended      |             |          |            |           |                  |                          |       |
    | 12:00:00 | infusion_stopped |             |          |            |           |                  |                          |       |
    """,
    )
    found.attempts("""
    | attempt_id | infusion_id | decided_at | entered_final | limit_multiple | change_factor | outcome    |
    | e2         | e1          | 10:20:05   | 4             | 4/3            | 1             | overridden |
    """)
    found.programmings("""
    | programming_id | at       | phase | value | unit | attempt_id |
    | e1             | 10:00    | start | 2     | mg/h |            |
    | e3             | 10:20:05 | bolus | 4     | mg   | e2         |
    """)


def test_a_weight_alert_before_an_entry_is_chosen_belongs_to_the_attempt(engine: str) -> None:
    """The alert on the weight begins the attempt; choosing the entry afterwards does not end it."""
    # 170 kg entered for 77 kg (a weight in pounds): 170 / 150 = 17/15 times; brought to 77: 170 / 77
    read(
        engine,
        """
    | at       | kind             | library_use | entry   | rate_ml_h | weight_kg | limit                    | tried |
    | 10:00:00 | powered_on       |             |         |           |           |                          |       |
    | 10:01:00 | limit_alerted    |             |         |           |           | soft high weight 150 kg  | 170   |
    | 10:01:20 | weight_changed   |             |         |           | 77        |                          |       |
    | 10:02:00 | key_pressed      |             | heparin |           |           |                          |       |
    | 10:03:00 | infusion_started | limited     | heparin | 12        |           |                          |       |
    """,
    ).attempts("""
    | attempt_id | infusion_id | entry   | first_alert_at | decided_at | alerts | entered_final | limit_multiple | change_factor | outcome       |
    | e2         | e5          | heparin | 10:01          | 10:03      | 1      | 77            | 17/15          | 170/77        | within_limits |
    """)


def test_a_duration_below_its_low_limit_means_too_fast(engine: str) -> None:
    """A time under its low limit is measured limit / value: 30 min allowed, 10 min confirmed is 3 times."""
    read(
        engine,
        """
    | at       | kind             | library_use | entry     | rate_ml_h | programmed_duration_s | harm_side | limit                   | tried |
    | 10:00:00 | limit_alerted    |             | potassium |           |                       | over      | soft low duration 30 min | 10   |
    | 10:00:05 | limit_overridden |             |           |           |                       |           |                         |       |
    | 10:00:05 | infusion_started | limited     | potassium | 300       | 600                   |           |                         |       |
    | 10:10:05 | infusion_stopped |             |           |           |                       |           |                         |       |
    """,
    ).attempts("""
    | attempt_id | limit_side | limit_quantity | limit_value | limit_unit | entered_final | limit_multiple | outcome    |
    | e1         | low        | duration       | 30          | min        | 10            | 3              | overridden |
    """)


def test_ruling_40_an_unknown_limit_is_answered_by_a_row_of_reprogramming(engine: str) -> None:
    """The alarm told no limit; the row that says 'within limits' names one, so the alert is decided."""
    read(
        engine,
        """
    | at       | kind                       | library_use | entry   | rate_ml_h | alarm_kind  | limit                   | tried |
    | 10:00:00 | alarm_raised               |             |         |           | limit_alert |                         |       |
    | 10:00:08 | reprogrammed_within_limits |             | heparin |           |             | soft high volume 500 mL | 400   |
    | 10:00:09 | infusion_started           | limited     | heparin | 30        |             |                         |       |
    """,
    ).attempts("""
    | attempt_id | alerts | met_soft | outcome       |
    | e1         | 1      | yes      | within_limits |
    """)


@pytest.mark.parametrize(
    ("word", "outcome"),
    [
        ("overridden", "overridden"),
        ("within_limits", "within_limits"),
        ("cancelled", "cancelled"),
        ("left_library", "unknown"),
    ],
)
def test_ruling_44_the_four_words_of_a_decision_in_the_alerts_row(
    engine: str, word: str, outcome: str
) -> None:
    """With nothing after it the word stands; 'left' without a delivery outside the library is not known to have left."""
    read(
        engine,
        f"""
    | at       | kind          | entry   | decision_logged | limit                       | tried |
    | 10:00:00 | limit_alerted | heparin | {word}          | soft high flow_rate 20 mL/h | 30    |
    """,
    ).attempts(f"""
    | attempt_id | infusion_id | alerts | outcome   |
    | e1         |             | 1      | {outcome} |
    """)
