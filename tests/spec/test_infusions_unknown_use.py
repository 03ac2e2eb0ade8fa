"""Drawn tables: a row whose library use the log gives as unknown, and when what is known of its infusion still holds."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.spec.drawn import Rebuilt

Rebuild = Callable[..., Rebuilt]


def test_a_new_infusion_of_unknown_use_is_not_what_ran_before(rebuild: Rebuild) -> None:
    """An hour after the stop it is another infusion, the same entry or not: nobody knows that it is in the library."""
    out = rebuild("""
        at    | kind             | entry   | library_use | rate_ml_h
        08:00 | infusion_started | heparin | limited     | 60
        09:00 | infusion_stopped |         |             |
        10:00 | infusion_started | heparin | unknown     | 60
        11:00 | infusion_stopped |         |             |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | entry   | library_use | running_hours
        e1          |                       | start      | heparin | limited     | 1
        e3          |                       | start      | heparin |             | 1
    """)
    out.segments("""
        infusion_id | state   | entry   | library_use
        e1          | running | heparin | limited
        e3          | running | heparin |
    """)


@pytest.mark.parametrize("at", ["09:05", "10:00"])
def test_an_entry_of_unknown_use_after_a_bypass_is_no_bypass(rebuild: Rebuild, at: str) -> None:
    """Neither bypassed nor folded into the bypassed stretch, however soon it comes."""
    out = rebuild(f"""
        at    | kind             | entry   | library_use | rate_ml_h
        08:00 | infusion_started |         | bypassed    | 60
        09:00 | infusion_stopped |         |             |
        {at}  | infusion_started | heparin | unknown     | 60
        11:00 | infusion_stopped |         |             |
    """)
    linked = "e1" if at == "09:05" else ""
    out.infusions(f"""
        infusion_id | continues_infusion_id | start_kind | entry   | library_use
        e1          |                       | start      |         | bypassed
        e3          | {linked}              | start      | heparin |
    """)


@pytest.mark.parametrize("use", ["limited", "no_limit_entry"])
@pytest.mark.parametrize(
    ("stop", "start"), [("infusion_stopped", "infusion_started"), ("infusion_paused", "infusion_resumed")]
)
def test_the_same_named_entry_that_continues_keeps_its_use(
    rebuild: Rebuild, use: str, stop: str, start: str
) -> None:
    out = rebuild(f"""
        at    | kind             | entry   | library_use | rate_ml_h
        08:00 | infusion_started | heparin | {use}       | 60
        09:00 | {stop}           |         |             |
        09:05 | {start}          | heparin | unknown     | 120
        10:05 | infusion_stopped |         |             |
    """)
    out.infusions(f"""
        infusion_id | entry   | library_use | running_hours | volume_ml
        e1          | heparin | {use}       | 2             | 180
    """)


@pytest.mark.parametrize("kind", ["rate_changed", "programme_changed"])
def test_a_change_of_unknown_use_that_names_the_entry_keeps_its_use(rebuild: Rebuild, kind: str) -> None:
    out = rebuild(f"""
        at    | kind             | entry   | library_use | rate_ml_h
        08:00 | infusion_started | heparin | limited     | 60
        09:00 | {kind}           | heparin | unknown     | 120
        10:00 | infusion_stopped |         |             |
    """)
    out.infusions("""
        infusion_id | library_use | running_hours | user_rate_changes
        e1          | limited     | 2             | 1
    """)


@pytest.mark.parametrize(
    ("row", "kind"),
    [
        # another entry, another strength, another care area, none named at all
        ("infusion_started | insulin |   | icu  | 60", "entry_changed"),
        ("infusion_started | heparin | 4 | icu  | 60", "concentration_changed"),
        ("infusion_started | heparin |   | ward | 60", "start"),
        ("infusion_started |         |   | icu  | 60", "start"),
        ("rate_changed     | insulin |   |      | 60", "entry_changed"),
        ("rate_changed     | heparin | 4 |      | 60", "concentration_changed"),
        ("rate_changed     |         |   |      | 90", "start"),
    ],
)
def test_whatever_else_differs_makes_an_infusion_of_unknown_use(
    rebuild: Rebuild, row: str, kind: str
) -> None:
    what, entry, strength, area, rate = (cell.strip() for cell in row.split("|"))
    out = rebuild(f"""
        at    | sequence | kind             | entry   | concentration_value | concentration_unit | care_area | library_use | rate_ml_h
        08:00 | 1        | infusion_started | heparin | 2                   | mg/mL              | icu       | limited     | 60
        09:00 | 2        | {what} | {entry} | {strength} | {"mg/mL" if strength else ""} | {area} | unknown | {rate}
        10:00 | 3        | infusion_stopped |         |                     |                    |           |             |
    """)
    out.infusions(f"""
        infusion_id | continues_infusion_id | start_kind | library_use | running_hours
        e1          |                       | start      | limited     | 1
        e2          | e1                    | {kind}     |             | 1
    """)


@pytest.mark.parametrize("between", ["powered_off", "totals_cleared", "patient_changed"])
def test_what_bars_an_infusion_from_going_on_bars_its_use(rebuild: Rebuild, between: str) -> None:
    out = rebuild(f"""
        at    | channel | kind             | entry   | library_use | rate_ml_h
        08:00 | A       | infusion_started | heparin | limited     | 60
        09:00 | A       | infusion_stopped |         |             |
        09:01 |         | {between}        |         |             |
        09:05 | A       | infusion_started | heparin | unknown     | 60
        10:00 | A       | infusion_stopped |         |             |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | library_use
        e1          |                       | start      | limited
        e4          |                       | start      |
    """)


def test_what_is_told_later_of_the_same_entry_is_no_new_infusion(rebuild: Rebuild) -> None:
    """It began unknown and is counted so; its hours are known from the row that tells them."""
    out = rebuild("""
        at    | kind             | entry   | library_use | rate_ml_h
        08:00 | infusion_started | heparin | unknown     | 60
        09:00 | rate_changed     |         | limited     | 90
        10:00 | infusion_stopped |         |             |
    """)
    out.infusions("""
        infusion_id | entry   | library_use | running_hours | user_rate_changes
        e1          | heparin |             | 2             | 1
    """)
    out.segments("""
        started_at | ended_at | entry   | library_use
        08:00      | 09:00    | heparin |
        09:00      | 10:00    | heparin | limited
    """)


def test_a_limited_entry_after_a_nameless_unknown_is_a_new_infusion(rebuild: Rebuild) -> None:
    """What ran may have been outside the library."""
    out = rebuild("""
        at    | kind             | entry   | library_use | rate_ml_h
        08:00 | infusion_started |         | unknown     | 60
        09:00 | rate_changed     | heparin | limited     | 90
        10:00 | infusion_stopped |         |             |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | entry   | library_use
        e1          |                       | start      |         |
        e2          | e1                    | start      | heparin | limited
    """)


def test_a_bypass_after_an_unknown_use_left_nothing_that_is_known(rebuild: Rebuild) -> None:
    """No number of those who left the library grows by it; entry and strength go with the bypass."""
    out = rebuild("""
        at    | kind             | entry   | library_use | rate_ml_h
        08:00 | infusion_started | heparin | unknown     | 60
        09:00 | library_bypassed |         |             | 90
        10:00 | infusion_stopped |         |             |
    """)
    out.infusions("""
        infusion_id | continues_infusion_id | start_kind | entry   | library_use
        e1          |                       | start      | heparin |
        e2          | e1                    | start      |         | bypassed
    """)


def test_a_row_without_a_use_goes_on_under_what_holds(rebuild: Rebuild) -> None:
    """Null is not logged (13): it leaves a known use as it was, and an unknown one too."""
    out = rebuild("""
        at    | channel | kind             | entry   | library_use | rate_ml_h
        08:00 | A       | infusion_started | heparin | limited     | 60
        08:00 | B       | infusion_started | heparin | limited     | 60
        08:10 | B       | rate_changed     |         | unknown     | 30
        09:00 | A       | rate_changed     |         |             | 90
        09:00 | B       | rate_changed     |         |             | 90
        10:00 | A       | infusion_stopped |         |             |
        10:00 | B       | infusion_stopped |         |             |
    """)
    out.infusions("""
        infusion_id | channel | library_use | user_rate_changes
        e1          | A       | limited     | 1
        e2          | B       | limited     | 0
        e3          | B       |             | 1
    """)


@pytest.mark.parametrize(("entry", "use"), [("", "bypassed"), ("heparin", "")])
def test_a_bypass_that_waits_takes_a_start_that_names_no_entry(
    rebuild: Rebuild, entry: str, use: str
) -> None:
    """The log said that the next start is outside (10); an entry says that it may be inside again."""
    out = rebuild(f"""
        at    | kind             | entry   | library_use | rate_ml_h
        08:00 | library_bypassed |         |             |
        08:01 | infusion_started | {entry} | unknown     | 60
        09:00 | infusion_stopped |         |             |
    """)
    out.infusions(f"""
        infusion_id | entry   | library_use
        e2          | {entry} | {use}
    """)


def test_an_entry_named_under_a_bypass_is_not_carried_past_it(rebuild: Rebuild) -> None:
    """Unknown use after a bypass: the name of then says nothing of what runs now."""
    out = rebuild("""
        at    | kind             | entry   | library_use | rate_ml_h
        08:00 | infusion_started | heparin | bypassed    | 60
        09:00 | infusion_stopped |         |             |
        10:00 | infusion_started |         | unknown     | 60
        11:00 | infusion_stopped |         |             |
    """)
    out.infusions("""
        infusion_id | entry   | library_use
        e1          | heparin | bypassed
        e3          |         |
    """)


def test_a_use_once_unknown_stays_so_until_one_is_told(rebuild: Rebuild) -> None:
    out = rebuild("""
        at    | kind             | entry   | library_use | rate_ml_h
        08:00 | infusion_started | heparin | limited     | 60
        08:30 | infusion_started | insulin | unknown     | 60
        09:00 | rate_changed     | insulin | unknown     | 30
        09:30 | rate_changed     | insulin | limited     | 60
        10:00 | rate_changed     | insulin | unknown     | 30
        11:00 | infusion_stopped |         |             |
    """)
    out.segments("""
        started_at | ended_at | state   | entry   | library_use
        08:00      | 08:30    | unknown | heparin | limited
        08:30      | 09:00    | running | insulin |
        09:00      | 09:30    | running | insulin |
        09:30      | 10:00    | running | insulin | limited
        10:00      | 11:00    | running | insulin | limited
    """)


def test_each_line_keeps_its_own_use(rebuild: Rebuild) -> None:
    """A secondary of unknown use says nothing of its primary (19), which names its entry on its return."""
    out = rebuild("""
        at    | kind             | fluid_source | entry   | library_use | rate_ml_h
        08:00 | infusion_started | primary      | heparin | limited     | 60
        09:00 | infusion_started | secondary    | heparin | unknown     | 120
        09:30 | infusion_started | primary      | heparin | unknown     | 60
        10:00 | infusion_stopped |              |         |             |
    """)
    out.infusions("""
        infusion_id | fluid_source | library_use
        e1          | primary      | limited
        e2          | secondary    |
    """)
