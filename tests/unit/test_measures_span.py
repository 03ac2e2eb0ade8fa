"""The span of a store: what it may be asked for, and that one text of the unbuilt note holds everywhere."""

from __future__ import annotations

from datetime import date

import pytest
from tests.measure_samples import site, store

from dripledger.errors import UsageError
from dripledger.events import run
from dripledger.measures import Month, calculate, months_in_store, prepare, refuse_outside, span_text
from dripledger.site import PumpRow
from dripledger.store import NOT_BUILT


def months(*texts: str) -> list[Month]:
    return [Month(int(t[:4]), int(t[5:])) for t in texts]


def test_the_span_is_told_as_stretches() -> None:
    assert span_text(months("2026-10")) == "2026-10"
    assert span_text(months("1970-01", "2026-08", "2026-09", "2026-10")) == "1970-01, 2026-08 to 2026-10"


def test_a_month_outside_is_refused_and_a_silent_one_inside_is_not() -> None:
    con = store(
        events="""
        | occurred_at      |
        | 2026-07-05 08:00 |
        | 2026-10-05 08:00 |
        """
    )
    known = months_in_store(con, site())
    refuse_outside(Month(2026, 8), known)
    with pytest.raises(UsageError, match=r"2026-11 lies outside .* 2026-07 to 2026-10") as told:
        refuse_outside(Month(2026, 11), known, "--to")
    assert told.value.where == "--to"
    with pytest.raises(UsageError, match="no event has reached the ledger"):
        refuse_outside(Month(2026, 11), [])


def test_one_clock_far_ahead_moves_no_month() -> None:
    """On a site of two pumps: neither the newest month, nor whether it is provisional."""
    ledgers = []
    for far in ("", "| P2 | 2199-01-01 08:00 |"):
        con = store(
            events=f"""
            | pump_id | occurred_at      |
            | P1      | 2026-09-05 08:00 |
            | P1      | 2026-10-05 08:00 |
            | P2      | 2026-10-05 08:00 |
            {far}
            """
        )
        known = months_in_store(con, site())
        assert known == months("2026-09", "2026-10")
        prepare(con, site(), known)
        ledgers.append(con.execute("select * from month_state order by month").fetchall())
    assert ledgers[0] == ledgers[1]
    assert ledgers[0][-1][-1] is True


def test_logs_that_all_lie_after_the_ingest_keep_their_months() -> None:
    """The clock of the computer may be the one that is wrong."""
    con = store(events="| occurred_at |\n| 2031-01-05 08:00 |\n| 2031-02-05 08:00 |")
    known = months_in_store(con, site())
    assert known == months("2031-01", "2031-02")
    prepare(con, site(), known)
    found = con.execute("select month from month_state where can_be_provisional order by 1").fetchall()
    assert found == [("2031-01",), ("2031-02",)]


def test_rows_are_of_the_months_asked_for_and_areas_of_others_bring_none() -> None:
    con = store(
        infusions="""
        | care_area | started_at       |
        | icu       | 2026-10-05 08:00 |
        | theatre   | 2026-09-05 08:00 |
        """
    )
    found = calculate(con, site(), None, ["2026-10"]).to_pylist()
    assert {row["care_area"] for row in found} == {"icu", ""}


def test_ingest_and_measures_mean_the_same_note() -> None:
    assert run.NOT_BUILT == NOT_BUILT


def test_whether_pumps_are_listed_does_not_hang_on_the_months_asked_for() -> None:
    """By pumps.csv the only pump has left: a month after that waits for none, alone or beside others."""
    con = store(events="| occurred_at |\n| 2026-09-05 08:00 |\n| 2026-10-05 08:00 |")
    own = site(lists={"pumps": (PumpRow("P1", None, None, None, None, date(2026, 9, 20)),)})
    states = []
    for asked in (months("2026-10"), months("2026-09", "2026-10")):
        prepare(con, own, asked, {"month_state"})
        states.append(con.execute("select * from month_state where month = '2026-10'").fetchall())
    assert states[0] == states[1]
    assert states[0][0][1] == 0
