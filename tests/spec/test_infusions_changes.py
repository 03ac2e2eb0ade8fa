"""Drawn tables: false starts, and what counts as a user rate change."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.spec.drawn import Rebuilt

Rebuild = Callable[..., Rebuilt]


@pytest.mark.parametrize(("end", "false_start"), [("08:00:29", "yes"), ("08:00:30", "no")])
def test_ruling_23_under_thirty_seconds_is_a_false_start(
    rebuild: Rebuild, end: str, false_start: str
) -> None:
    """Less than 30 s is a false start; exactly 30 s is none."""
    out = rebuild(f"""
        at       | kind             | rate_ml_h
        08:00:00 | infusion_started | 60
        {end}    | infusion_stopped |
    """)
    out.infusions(f"""
        infusion_id | false_start
        e1          | {false_start}
    """)


def test_ruling_23_is_judged_after_continuation(rebuild: Rebuild) -> None:
    """Ten seconds and then an hour of the same programme are one infusion and no false start."""
    out = rebuild("""
        at       | kind             | rate_ml_h
        08:00:00 | infusion_started | 60
        08:00:10 | infusion_stopped |
        08:05:00 | infusion_started | 60
        09:05:00 | infusion_stopped |
    """)
    out.infusions("""
        infusion_id | false_start
        e1          | no
    """)


@pytest.mark.parametrize(("reported", "false_start"), [("0", "yes"), ("5", "no")])
def test_ruling_23_a_reported_volume_of_zero_at_the_end(
    rebuild: Rebuild, reported: str, false_start: str
) -> None:
    """A pump that says at the end that it delivered nothing had a false start, however long it ran."""
    out = rebuild(f"""
        at    | kind             | rate_ml_h | volume_delivered_ml | volume_scope
        08:00 | infusion_started | 60        | 0                   | infusion
        08:05 | infusion_stopped |           | {reported}          | infusion
    """)
    out.infusions(f"""
        infusion_id | volume_reported_ml | false_start
        e1          | {reported}         | {false_start}
    """)


def test_ruling_23_never_while_open(rebuild: Rebuild) -> None:
    """An infusion that has not ended may still run long enough."""
    out = rebuild("""
        at       | channel | kind             | rate_ml_h
        08:00:00 | A       | infusion_started | 60
        08:00:10 |         | key_pressed      |
    """)
    out.infusions("""
        infusion_id | end_kind | ended_at | false_start
        e1          | open     |          | no
    """)


def test_ruling_23_nothing_ran_at_a_rate_of_zero(rebuild: Rebuild) -> None:
    """A start at a rate of 0 that is stopped again delivered nothing."""
    out = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 0
        08:10 | infusion_stopped |
    """)
    out.infusions("""
        infusion_id | running_hours | volume_ml | false_start
        e1          | 0             | 0         | yes
    """)


@pytest.mark.parametrize(
    ("again", "initiator", "changes"), [("09:00:02", "", 1), ("09:00:03", "", 0), ("09:00:02", "pump", 0)]
)
def test_ruling_24_a_stop_and_start_within_two_seconds(
    rebuild: Rebuild, again: str, initiator: str, changes: int
) -> None:
    """A continuation without a gap is a rate change by a user, unless the log says who else did it."""
    out = rebuild(f"""
        at       | kind             | initiator   | rate_ml_h
        08:00:00 | infusion_started |             | 60
        09:00:00 | infusion_stopped |             |
        {again}  | infusion_started | {initiator} | 90
        10:00:00 | infusion_stopped |             |
    """)
    out.infusions(f"""
        infusion_id | user_rate_changes
        e1          | {changes}
    """)


def test_ruling_24_who_and_what_counts_as_a_user_rate_change(rebuild: Rebuild) -> None:
    """From one running rate to another; not by pump or order, not the same rate, no resumption, no refill."""
    out = rebuild("""
        at    | kind              | initiator | rate_ml_h | volume_to_infuse_ml
        08:00 | infusion_started  |           | 10        |
        08:10 | rate_changed      | user      | 20        |
        08:20 | rate_changed      |           | 30        |
        08:30 | rate_changed      | pump      | 40        |
        08:40 | rate_changed      | order     | 50        |
        08:50 | rate_changed      |           | 50        |
        09:00 | programme_changed |           |           | 500
        09:10 | infusion_paused   |           |           |
        09:20 | infusion_resumed  |           | 70        |
        09:30 | infusion_completed |          |           |
        09:40 | infusion_started  |           | 80        |
        09:50 | infusion_stopped  |           |           |
    """)
    # Only 10 -> 20 and 20 -> 30.
    out.infusions("""
        infusion_id | user_rate_changes
        e1          | 2
    """)


def test_ruling_24_a_rate_change_while_paused_starts_nothing(rebuild: Rebuild) -> None:
    """It sets the rate of the next resumption."""
    out = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        08:30 | infusion_paused  |
        08:40 | rate_changed     | 120
        09:00 | infusion_resumed |
        09:30 | infusion_stopped |
    """)
    # 0.5 h x 60 + 0.5 h x 120 = 90 mL.
    out.segments("""
        started_at | ended_at | state   | volume_ml
        08:00      | 08:30    | running | 30
        08:30      | 09:00    | paused  | 0
        09:00      | 09:30    | running | 60
    """)
    out.infusions("""
        infusion_id | running_hours | volume_ml | user_rate_changes
        e1          | 1             | 90        | 0
    """)


def test_ruling_24_a_rate_change_after_a_stop_starts_nothing(rebuild: Rebuild) -> None:
    """After a stop it sets the rate of the next start; nothing runs in between."""
    out = rebuild("""
        at    | kind             | rate_ml_h
        08:00 | infusion_started | 60
        09:00 | infusion_stopped |
        09:05 | rate_changed     | 30
        10:00 | infusion_started |
        11:00 | infusion_stopped |
    """)
    out.infusions("""
        infusion_id | start_kind | end_kind | running_hours | volume_ml
        e1          | start      | stopped  | 1             | 60
        e4          | start      | stopped  | 1             | 30
    """)
