"""Which pump ran which library, how long a release took, and what changed with it: worked out by hand."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pyarrow as pa
import pytest
from tests.library_samples import SPAN, limit_row
from tests.measure_samples import site, store

from dripledger.library.relations import Span, prepare
from dripledger.library.uptake import uptake
from dripledger.library.versions import Library

#: Release 8 is published on 1 March. P1 has it after 2 days, P2 after 10, P3 receives it and never installs it; P4
#: was heard last before it was there. P5 was heard first in May, with 8 on it: nobody knows since when.
EVENTS = """
| event_id | pump_id | kind              | library_version | occurred_at      |
| e1       | P1      | powered_on        | 7               | 2026-02-01 00:00 |
| e2       | P2      | powered_on        | 7               | 2026-02-01 00:00 |
| e3       | P3      | powered_on        | 7               | 2026-02-01 00:00 |
| e4       | P4      | powered_on        | 7               | 2026-02-01 00:00 |
| e5       | P1      | library_installed | 8               | 2026-03-03 00:00 |
| e6       | P3      | library_received  | 8               | 2026-03-04 00:00 |
| e7       | P2      | library_installed | 8               | 2026-03-11 00:00 |
| e8       | P3      | powered_on        | 7               | 2026-03-20 00:00 |
| e9       | P5      | powered_on        | 8               | 2026-05-01 00:00 |
"""
LIBRARIES = """
| library_version | library_published_at |
| 7               | 2026-01-01 00:00     |
| 8               | 2026-03-01 00:00     |
"""
INFUSIONS = """
| infusion_id | pump_id | started_at       | library_version |
| i1          | P3      | 2026-03-05 00:00 | 7               |
| i2          | P3      | 2026-03-18 00:00 | 7               |
| i3          | P1      | 2026-03-18 00:00 | 8               |
| i4          | P1      | 2026-02-18 00:00 | 7               |
"""
PROGRAMMINGS = """
| programming_id | infusion_id | pump_id | at               | attempt_id |
| p1             | i4          | P1      | 2026-02-18 00:00 | a1         |
| p2             | i4          | P1      | 2026-02-18 00:10 | -          |
| p3             | i3          | P1      | 2026-03-18 00:00 | -          |
"""
ATTEMPTS = """
| attempt_id | infusion_id | pump_id | first_alert_at   | last_alert_at    | decided_at       | alerts |
| a1         | i4          | P1      | 2026-02-18 00:00 | 2026-02-18 00:00 | 2026-02-18 00:00 | 2      |
"""


def _rows(version: str, soft_high: float) -> tuple[Any, ...]:
    return (
        limit_row(version=version, care_area="icu", entry="morphine", quantity="dose_rate", dosing_unit="mg/h",
                  soft_high=soft_high),
    )  # fmt: skip


def _ask(span: Span = SPAN, **drawn: str) -> dict[str, pa.Table]:
    own = site(minimums={"starts": 1})
    given = {"events": EVENTS, "libraries": LIBRARIES, "infusions": INFUSIONS, "programmings": PROGRAMMINGS,
             "attempts": ATTEMPTS}  # fmt: skip
    con = store(**(given | drawn))
    prepare(con, own, None, span)
    old = Library("7", datetime(2026, 1, 1, tzinfo=UTC), _rows("7", 5.0))
    new = Library("8", datetime(2026, 3, 1, tzinfo=UTC), _rows("8", 8.0))
    tables = uptake(con, own, [old, new])
    con.close()
    return tables


@pytest.fixture(scope="module")
def found() -> dict[str, pa.Table]:
    return _ask()


def test_which_pump_ran_which_library_when(found: dict[str, pa.Table]) -> None:
    rows = [(r["pump_id"], r["library_version"], r["first_seen_at"].day) for r in found["pumps"].to_pylist()]
    assert rows == [
        ("P1", "7", 1),
        ("P1", "8", 3),
        ("P2", "7", 1),
        ("P2", "8", 11),
        ("P3", "7", 1),
        ("P4", "7", 1),
        ("P5", "8", 1),
    ]


def _received(tables: dict[str, pa.Table]) -> list[tuple[Any, ...]]:
    names = ("what", "pump_id", "library_version", "overtaken_by", "days_waited")
    return [tuple(row[name] for name in names) for row in tables["received"].to_pylist()]


def test_what_arrived_and_never_came_into_force(found: dict[str, pa.Table]) -> None:
    """P3 got it on 4 March and was heard last on the 20th: 16 days."""
    assert _received(found) == [("not_installed", "P3", "8", None, 16.0)]


def test_what_a_newer_release_overtook_was_not_left_lying() -> None:
    """P1 gets 8 on 4 March and 9 on the 9th, which runs from the 12th: 8 was overtaken after 5 days. On P2 9 comes
    into force on the 10th, 6 days after 8 came. P3 gets 7 again after 8, and 8 waits: 7 is no newer one."""
    events = """
| event_id | pump_id | kind              | library_version | occurred_at      |
| e1       | P1      | powered_on        | 7               | 2026-02-01 00:00 |
| e2       | P2      | powered_on        | 7               | 2026-02-01 00:00 |
| e3       | P3      | powered_on        | 7               | 2026-02-01 00:00 |
| e4       | P1      | library_received  | 8               | 2026-03-04 00:00 |
| e5       | P2      | library_received  | 8               | 2026-03-04 00:00 |
| e6       | P3      | library_received  | 8               | 2026-03-04 00:00 |
| e7       | P1      | library_received  | 9               | 2026-03-09 00:00 |
| e8       | P2      | library_installed | 9               | 2026-03-10 00:00 |
| e9       | P1      | library_installed | 9               | 2026-03-12 00:00 |
| e10      | P3      | library_received  | 7               | 2026-03-13 00:00 |
| e11      | P3      | powered_on        | 7               | 2026-03-14 00:00 |
"""
    libraries = LIBRARIES + "| 9               | 2026-03-08 00:00     |\n"
    assert _received(
        _ask(events=events, libraries=libraries, infusions="", programmings="", attempts="")
    ) == [
        ("overtaken", "P1", "8", "9", 5.0),
        ("overtaken", "P2", "8", "9", 6.0),
        ("not_installed", "P3", "8", None, 10.0),
    ]


_TIMES = ("pumps", "pumps_reached", "pumps_left_out", "days_to_50", "days_to_90", "days_to_99", "note")


def test_how_long_a_release_took(found: dict[str, pa.Table]) -> None:
    """Three pumps were heard before 1 March and after it: P1 has release 8 after 2 days, P2 after 10, P3 never. Half
    of three is the second: 10 days; 90 % and 99 % are the third. The log ends with P5 on 1 May: 61 days of looking
    (March 31, April 30). P5 was heard first after the release, and P4 last before it: left out is P5 alone, of which
    nobody knows when it got it. Before release 7 came on 1 January no pump was heard: all five are left out of it.
    """
    seven, eight = found["releases"].to_pylist()
    assert tuple(eight[name] for name in _TIMES) == (
        3, 2, 1, 10.0, None, None, "90 %, 99 %: not reached in 61 days",
    )  # fmt: skip
    assert tuple(seven[name] for name in _TIMES) == (
        0, 0, 5, None, None, None, "no pump was heard before it was there",
    )  # fmt: skip


def test_what_came_after_the_time_that_is_looked_at_was_not_reached_in_it() -> None:
    """Up to 10 March P1 alone has it, one of three. P2 is heard on 9 March at noon: 8.5 days of looking."""
    until = Span(SPAN.begins_at, datetime(2026, 3, 10, tzinfo=UTC), "to 9 March")
    (_, eight) = _ask(until, events=EVENTS + "| e10 | P2 | powered_on | 7 | 2026-03-09 12:00 |")[
        "releases"
    ].to_pylist()
    assert tuple(eight[name] for name in _TIMES) == (
        3, 1, 0, None, None, None, "50 %, 90 %, 99 %: not reached in 8.5 days",
    )  # fmt: skip


def test_a_pump_that_is_new_or_was_never_heard_before_makes_no_time_longer() -> None:
    """P1 has release 8 after 2 days; P6, heard first on 1 June on 7, gets it on the 2nd: 93 days are no time of it."""
    events = "\n".join(
        line for line in EVENTS.splitlines() if "P2" not in line and "P3" not in line and "P4" not in line
    )
    events += """
| e10 | P6 | powered_on        | 7 | 2026-06-01 00:00 |
| e11 | P6 | library_installed | 8 | 2026-06-02 00:00 |
"""
    (_, eight) = _ask(events=events)["releases"].to_pylist()
    assert tuple(eight[name] for name in _TIMES) == (1, 1, 2, 2.0, 2.0, 2.0, "")


def test_starts_on_a_stale_library(found: dict[str, pa.Table]) -> None:
    """More than 7 days after 1 March: of three starts on release 7, the one of 18 March, 17 days behind."""
    rows = [(r["library_version"], r["starts"], r["stale_starts"], r["most_days_behind"])
            for r in found["stale"].to_pylist()]  # fmt: skip
    assert rows == [("7", 3, 1, 17.0), ("8", 1, 0, None)]


def test_before_and_after_for_what_a_release_changed(found: dict[str, pa.Table]) -> None:
    """Release 8 raised morphine's soft limit. On 7: 2 alerts in 2 uses; on 8: none in 1."""
    (row,) = found["effect"].to_pylist()
    names = (
        "entry",
        "changes",
        "uses_before",
        "alerts_per_100_uses_before",
        "uses_after",
        "alerts_per_100_uses_after",
    )
    assert tuple(row[name] for name in names) == (
        "morphine", "soft_high loosened (5 to 8 mg/h)", 2, 100.0, 1, 0.0,
    )  # fmt: skip
