"""Clearings that ended no alarm are counted apart."""

from __future__ import annotations

from tests.measure_samples import site, store

from dripledger.measures import calculate

ALARMS = """
    | alarm_id | channel | alarm_kind  | raised_at        | cleared_at          | ended_at            | raw_count |
    | e1       | A       | occlusion   | 2026-10-05 08:00 | 2026-10-05 08:05    | 2026-10-05 08:05    | 1         |
    | e3       | A       | occlusion   | 2026-10-05 09:00 | 2026-10-05 09:10    | 2026-10-05 09:10    | 2         |
    | e7       | A       | near_end    | 2026-10-05 10:00 | -                   | 2026-10-05 12:00    | 1         |
    | e8       | A       | air_in_line | 2026-10-05 10:01 | -                   | 2026-10-05 12:00    | 1         |
    | e9       | B       | occlusion   | 2026-10-05 11:00 | 2026-10-05 11:30    | 2026-10-05 11:30    | 1         |
"""


def clears(*drawn: tuple[str, str, str, str]) -> int:
    """Return how many clearings (channel, kind, id, time) ended no alarm."""
    events = [
        {
            "kind": "alarm_cleared",
            "channel": channel,
            "alarm_kind": kind or "-",
            "alarm_id": id_ or "-",
            "occurred_at": f"2026-10-05 {at}",
        }
        for channel, kind, id_, at in drawn
    ]
    con = store(events=events, alarms=ALARMS)
    calculate(con, site(), None, ["2026-10"])
    found = dict(con.execute("select what, amount from warnings_apart").fetchall())
    amount: int = found.get("clears_alone", 0)
    return amount


def test_a_clearing_at_which_an_alarm_ended_is_its_clearing() -> None:
    """By kind, by id, by nothing at all, and from the whole pump."""
    assert clears(("A", "occlusion", "", "08:05"), ("()", "", "", "11:30"), ("A", "", "7", "08:05")) == 0


def test_a_clearing_after_which_the_alarm_sounded_again_is_its_clearing_too() -> None:
    """Raised twice, cleared twice, one alarm: the first clearing stands inside it."""
    assert (
        clears(("A", "occlusion", "", "09:04"), ("A", "", "", "09:04"), ("A", "occlusion", "", "09:10")) == 0
    )


def test_what_fits_no_alarm_is_counted() -> None:
    """Nothing open, another kind, another channel; and naming none while two stand open."""
    assert clears(
        ("A", "occlusion", "", "07:00"), ("A", "door_open", "", "08:05"), ("B", "occlusion", "", "08:05"),
        ("A", "", "", "10:30"),
    ) == 4  # fmt: skip
