"""Which pump ran which library, how long a release took, and what changed with it: worked out by hand."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pyarrow as pa
import pytest
from tests.library_samples import SPAN, limit_row
from tests.measure_samples import site, store

from dripledger.library.relations import prepare
from dripledger.library.uptake import uptake
from dripledger.library.versions import Library

#: Release 8 is published on 1 March. P1 has it after 2 days, P2 after 10, P3 receives it and never installs it; P4
#: was heard last before it was there.
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


@pytest.fixture(scope="module")
def found() -> dict[str, pa.Table]:
    own = site(minimums={"starts": 1})
    con = store(events=EVENTS, libraries=LIBRARIES, infusions=INFUSIONS, programmings=PROGRAMMINGS,
                attempts=ATTEMPTS)  # fmt: skip
    prepare(con, own, None, SPAN)
    old = Library("7", datetime(2026, 1, 1, tzinfo=UTC), _rows("7", 5.0))
    new = Library("8", datetime(2026, 3, 1, tzinfo=UTC), _rows("8", 8.0))
    tables = uptake(con, own, [old, new])
    con.close()
    return tables


def test_which_pump_ran_which_library_when(found: dict[str, pa.Table]) -> None:
    rows = [(r["pump_id"], r["library_version"], r["first_seen_at"].day) for r in found["pumps"].to_pylist()]
    assert rows == [
        ("P1", "7", 1),
        ("P1", "8", 3),
        ("P2", "7", 1),
        ("P2", "8", 11),
        ("P3", "7", 1),
        ("P4", "7", 1),
    ]


def test_what_arrived_and_never_came_into_force(found: dict[str, pa.Table]) -> None:
    """P3 got it on 4 March and was heard last on the 20th: 16 days."""
    assert [
        (r["pump_id"], r["library_version"], r["days_waited"]) for r in found["received"].to_pylist()
    ] == [("P3", "8", 16.0)]


def test_how_long_a_release_took(found: dict[str, pa.Table]) -> None:
    """Of three pumps heard after 1 March, one has it after 2 days and two after 10: half of three is the second.

    90 % and 99 % of three are all three, and one never had it. Release 7 was there on all four after 31 days.
    """
    seven, eight = found["releases"].to_pylist()
    names = ("pumps", "pumps_reached", "days_to_50", "days_to_90", "days_to_99")
    assert tuple(eight[name] for name in names) == (3, 2, 10.0, None, None)
    assert tuple(seven[name] for name in names) == (4, 4, 31.0, 31.0, 31.0)


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
