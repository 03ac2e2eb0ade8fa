"""Bounds of a trace hold whatever a log leaves open: a clock that was set, a missing end, a lost record.

Each amount is worked out by hand beside its check. Lisbon keeps UTC in January.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dripledger.events import ingest
from dripledger.incidents.amounts import Pumped
from dripledger.incidents.model import Trace
from dripledger.incidents.tracing import Asked, trace
from dripledger.site import load_site
from dripledger.store import Ledger
from tests.functional.conftest import make_site

HEADER = (
    "pump_id,channel,device_time,sequence,kind,care_area,entry,library_use,library_version,rate_ml_h,"
    "concentration_value,concentration_unit,dose_value,dose_unit,weight_kg,bolus_adds_to_basal\n"
)
#: What is logged short: entry, library use and concentration of a start; the same of another strength.
PROGRAMMES = {
    "linol": "ICU,linol,limited,4.2,{rate},1,mg/mL,{dose},{unit},",
    "strong": "ICU,linol,limited,4.2,{rate},8,mg/mL,{dose},{unit},",
    "named": "ICU,linol,bypassed,4.2,{rate},1,mg/mL,,,",
    "bypassed": "ICU,,bypassed,4.2,{rate},,,,,",
    "": ",,,,{rate},,,{dose},{unit},",
}
LIBRARY = (
    "version,published_at,care_area,entry,concentration_value,concentration_unit,dosing_unit,quantity,"
    "hard_low,soft_low,soft_high,hard_high\n4.2,2026-01-01,ICU,linol,1,mg/mL,mg/h,dose_rate,,1,30,60\n"
)
SHORT = {
    "start": "infusion_started", "rate": "rate_changed", "stop": "infusion_stopped",
    "pause": "infusion_paused", "resume": "infusion_resumed", "completed": "infusion_completed",
    "kvo": "kvo_started", "off": "powered_off", "key": "key_pressed", "clock": "clock_set",
    "bolus": "bolus_started", "adds": "bolus_started", "bolus end": "bolus_ended",
    "label": "nobody filed this",
}  # fmt: skip


#: Of these nothing is heard before or after.
UNFRAMED = frozenset({"open", "begun", "tail"})


def rows_of(pump: str, log: str, day: str = "2026-01-12") -> str:
    """Return the rows of a log written short: time and number, kind, channel, programme, rate, dose."""
    told, number = [], 0
    lines = [line.strip() for line in log.splitlines() if line.strip()]
    if pump not in UNFRAMED:
        # the pump was heard before and after: what lies outside its log would be open
        lines = ["00:00:00!0 | key |", *lines, "23:59:00 | key |"]
    for line in lines:
        time, kind, channel, programme, rate, dose = [*map(str.strip, line.split("|")), *[""] * 5][:6]
        number += 1
        if "!" in time:
            time, given = time.split("!")
            number = int(given)
        amount, unit = [*dose.split(), "", ""][:2]
        what = PROGRAMMES[programme].format(rate=rate, dose=amount, unit=unit)
        told.append(
            f"{pump},{channel},{day}T{time.strip()},{number},{SHORT[kind]},{what},"
            f"{'true' if kind == 'adds' else ''}\n"
        )
    return "".join(told)


LOGS = {
    # tenfold, after a clock that was set back by three quarters of an hour unlogged
    "back": """
        08:00:00 | start | A | linol | 10
        08:30:00 | key   | A
        07:45:00 | rate  | A |       | 100
        08:30:00 | stop  | A
    """,
    # the same with the setting logged
    "back logged": """
        08:00:00 | start | A | linol | 10
        08:30:00 | key   | A
        07:40:00 | clock |
        07:45:00 | rate  | A |       | 100
        08:30:00 | stop  | A
    """,
    "on": """
        08:00:00 | start | A | linol | 10
        08:30:00 | clock |
        09:30:00 | rate  | A |       | 20
        10:00:00 | stop  | A
    """,
    # set while nothing ran: no amount hangs on it
    "on at rest": """
        08:00:00 | start | A | linol | 10
        09:00:00 | stop  | A
        09:10:00 | clock |
        09:30:00 | start | A | linol | 20
        10:00:00 | stop  | A
    """,
    "open": """
        08:00:00 | start | A | linol | 10
        09:00:00 | rate  | A |       | 10
    """,
    "begun": """
        10:00:00 | rate  | A |       | 20
        11:00:00 | stop  | A
    """,
    "apart": """
        08:00:00 | start | A | linol | 10
        09:00:00 | stop  | A
        12:00:00 | start | A | linol | 10
        13:00:00 | stop  | A
    """,
    "two channels": """
        05:00:00 | start | B | linol | 100
        07:00:00 | rate  | B |       | 10
        08:00:00 | start | A | linol | 1
        09:00:00 | stop  | B
        12:00:00 | stop  | A
    """,
    # a rate told as a dose alone: 10 mg/h of 1 mg/mL, then 100 mg/h at a strength that nothing tells
    "dose alone": """
        08:00:00 | start | A | bypassed | 10
        09:00:00 | rate  | A |          |    | 100 mg/h
        10:00:00 | stop  | A
    """,
    # the start was filed by nobody; the pump says that it was kept open after a completion
    "kept open unseen": """
        08:00:00 | start     | A | linol | 5
        08:05:00 | stop      | A
        08:13:00 | label     | A
        08:27:00 | completed | A
        08:27:00 | kvo       | A |       | 0.5
        09:04:00 | stop      | A
    """,
    # number 3 is lost, perhaps the end of the bolus that came on top of 20
    "on top": """
        08:00:00    | start | A | linol | 20
        08:10:00    | adds  | A |       | 30
        08:20:00 !4 | off   |
    """,
    # number 2 is lost: it may have been a start
    "lost start": """
        08:00:00    | start | A | linol | 10
        08:10:00    | stop  | A
        08:20:00    | label | A
        08:30:00    | rate  | A |       | 50
        09:30:00    | key   | A
        10:00:00    | key   | A
    """,
    # number 3 is lost: it may have been the resumption
    "lost resumption": """
        08:00:00    | start | A | linol | 10
        08:10:00    | pause | A
        08:30:00 !4 | rate  | A |       | 50
        09:00:00    | stop  | A
    """,
    # number 2 is lost: it may have been another strength; the bolus tells a rate of its own
    "lost strength": """
        08:00:00    | start | A | linol | 10
        08:30:00 !3 | rate  | A |       | 20
        09:00:00    | rate  | A | linol | 20
        10:00:00    | stop  | A
    """,
    "lost before a bolus": """
        08:00:00    | start     | A | linol | 10
        08:30:00 !3 | bolus     | A |       | 200
        08:35:00    | bolus end | A
        09:00:00    | rate      | A | linol | 20
        10:00:00    | stop      | A
    """,
    # number 2 is lost: it may have been a pause, in which 100 was only set; another pause settles it
    "lost pause": """
        08:00:00    | start  | A | linol | 10
        08:30:00 !3 | rate   | A |       | 100
        09:30:00    | stop   | A
    """,
    "no pause": """
        08:00:00    | start  | A | linol | 10
        08:30:00 !3 | rate   | A |       | 100
        09:00:00    | pause  | A
        09:30:00    | stop   | A
    """,
    "same second": """
        08:00:00 | start | A | linol    | 10
        09:00:00 | stop  | A
        09:00:00 | start | A | strong   | 20
        10:00:00 | stop  | A
    """,
    "in a pause": """
        08:00:00 | start  | A | linol | 10
        08:10:00 | pause  | A
        08:20:00 | rate   | A |       | 100
        08:30:00 | resume | A
        09:00:00 | stop   | A
    """,
    "left": """
        08:00:00 | start  | A | linol | 10
        09:00:00 | start  | A | named | 100
        10:00:00 | stop   | A
    """,
}  # fmt: skip


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site that has read those logs, one of a pump; changed by nobody."""
    root = tmp_path_factory.mktemp("logs with holes") / "site"
    make_site(root)
    (root / "libraries").mkdir()
    (root / "libraries" / "lib.csv").write_text(LIBRARY, encoding="utf-8")
    for pump, log in LOGS.items():
        (root / "inbox" / f"{pump}.csv").write_text(HEADER + rows_of(pump, log), encoding="utf-8")
    assert ingest(load_site(root), (), build=True).balanced
    return root


def at(clock: str) -> datetime:
    return datetime.fromisoformat(f"2026-01-12T{clock}").replace(tzinfo=UTC)


def traced(root: Path, pump: str, begins: str, ends: str, *between: tuple[str, str]) -> Trace:
    site = load_site(root)
    spans = tuple((at(a), at(b)) for a, b in between)
    return trace(
        site, Ledger.open(site.store).snapshot(), Asked(pump, None, at(begins), at(ends), between=spans)
    )


def amount(root: Path, pump: str, begins: str, ends: str) -> Pumped:
    """Return what the only channel of a pump pumped between two moments, of a trace of all its log."""
    return traced(root, pump, "05:00", "14:00", (begins, ends)).pumped[-1]


def steps(told: Trace) -> list[str]:
    return [f.what for f in told.findings if f.rule == "rate_step"]


@pytest.mark.parametrize("pump", ["back", "back logged"])
def test_a_clock_set_back_reorders_nothing(logs: Path, pump: str) -> None:
    """By their numbers 10 came first and 100 after it, whatever the clock showed."""
    told = traced(logs, pump, "07:00", "10:00")
    assert steps(told) == ["The running rate went from 10 to 100 mL/h: tenfold."]
    assert told.lines[0].volume_ml == 0, "nothing had been pumped when it began"
    rate = next(line for line in told.lines if line.kind == "rate_changed")
    assert rate.what == "rate changed from 10 to 100 mL/h: tenfold"
    # until the clock was set: half an hour at 10; where that was logged, five minutes more by the new clock
    assert rate.volume_ml == pytest.approx(5 if pump == "back" else 5 + 10 / 12, abs=1e-5)


@pytest.mark.parametrize("pump", ["back", "back logged"])
def test_how_long_it_was_until_a_clock_was_set_back_is_not_known(logs: Path, pump: str) -> None:
    told = amount(logs, pump, "07:00", "10:00")
    # seen: 30 min at 10, 45 min at 100 (and 5 min at 10); between old 08:30 and new 07:45 nobody knows
    seen = 80 if pump == "back" else 80 + 10 / 12
    assert told.volume_ml.seen == pytest.approx(seen, abs=1e-5)
    assert told.volume_ml.open
    assert told.volume_ml.low == pytest.approx(seen, abs=0.1), "the two runs lie wholly in it"
    assert any("clock" in why for why in told.why_open)
    # 08:10 was twice: by the old clock nothing but 10 min at 10 lay before it
    assert amount(logs, pump, "07:00", "08:10").volume_ml.low <= 10 / 6
    assert amount(logs, pump, "08:10", "10:00").volume_ml.low <= 100 * 20 / 60
    # what lies before either clock showed such a time is not touched
    assert not amount(logs, pump, "06:00", "07:30").volume_ml.open


def test_how_long_it_was_while_a_clock_was_set_on_is_not_known(logs: Path) -> None:
    told = amount(logs, "on", "07:00", "11:00")
    # 08:00 to 09:30 by two clocks may be a moment or a day; 09:30 to 10:00 at 20 is by one
    assert told.volume_ml.open
    assert told.volume_ml.low == pytest.approx(10, abs=0.05)
    assert told.drugs[0].amount.open
    assert not amount(logs, "on", "09:30", "10:00").volume_ml.open
    assert not amount(logs, "on at rest", "07:00", "11:00").volume_ml.open
    assert next(i for i in traced(logs, "on", "07:00", "11:00").infusions).uncertain


def test_after_the_last_event_nobody_knows(logs: Path) -> None:
    told = amount(logs, "open", "08:00", "12:00")
    # 08:00 to 09:00 at 10 is seen; then the log ends while it ran
    assert (told.volume_ml.seen, told.volume_ml.open) == (10, True)
    assert told.volume_ml.low == pytest.approx(10, abs=0.01)
    assert told.unknown_s == 3 * 3600
    # 3 h more at 10
    assert told.volume_ml.high == pytest.approx(40, abs=0.1)
    assert any("ends while" in why for why in told.why_open)
    assert not amount(logs, "open", "08:00", "09:00").volume_ml.open
    assert amount(logs, "open", "10:00", "11:00").volume_ml.open


def test_before_the_first_event_of_a_running_channel_nobody_knows(logs: Path) -> None:
    told = amount(logs, "begun", "08:00", "11:00")
    # 10:00 to 11:00 at 20; before it two hours, perhaps at 20 too
    assert (told.volume_ml.seen, told.volume_ml.open) == (20, True)
    assert told.unknown_s == 2 * 3600
    assert told.volume_ml.high == pytest.approx(60, abs=0.1)
    assert any("begins" in why for why in told.why_open)
    assert not amount(logs, "begun", "10:00", "11:00").volume_ml.open


def test_what_lies_outside_the_log_is_open_also_of_a_channel_that_stood_still(logs: Path) -> None:
    told = amount(logs, "begun", "10:00", "12:00")
    assert (told.volume_ml.seen, told.volume_ml.open) == (20, True)
    assert told.volume_ml.high == pytest.approx(20, abs=0.1), "what had ended bounds nothing"
    assert told.unknown_s == 3600
    assert "the store has no record of the pump after 2026-01-12 11:00:00+00:00" in told.why_open
    told = amount(logs, "open", "06:00", "09:00")
    assert "the store has no record of the pump before 2026-01-12 08:00:00+00:00" in told.why_open
    # heard before and after: nothing was logged, for nothing was done
    assert not amount(logs, "apart", "06:00", "14:00").volume_ml.open


def test_an_amount_is_of_all_that_lies_between_its_moments(logs: Path) -> None:
    # 08-09 and 12-13 at 10
    told = traced(logs, "apart", "08:00", "09:30", ("08:00", "14:00"))
    assert [p.volume_ml.seen for p in told.pumped] == [10, 20]
    told = traced(logs, "apart", "12:30", "12:40", ("08:30", "09:30"))
    assert told.pumped[1].volume_ml.seen == 5
    told = traced(logs, "two channels", "11:00", "11:30", ("05:00", "12:00"))
    assert {p.channel: p.volume_ml.seen for p in told.pumped[2:]} == {"A": 4, "B": 220}
    # widened to A's 08:00, B's own beginning lies outside: what it had pumped until 09:00 counts from there
    told = traced(logs, "two channels", "11:00", "11:30")
    stop = next(line for line in told.lines if line.kind == "infusion_stopped" and line.channel == "B")
    assert stop.volume_ml == 220


def test_what_runs_at_a_rate_that_is_not_told_has_no_upper_bound(logs: Path) -> None:
    told = amount(logs, "dose alone", "07:00", "11:00")
    assert (told.volume_ml.seen, told.volume_ml.open) == (10, True)
    assert told.volume_ml.low == pytest.approx(10, abs=0.01)


def test_a_rate_on_a_channel_that_stands_still_ends_no_doubt(logs: Path) -> None:
    told = amount(logs, "lost start", "07:00", "10:00")
    # the unfiled label may have been a start: from 08:20 on nobody knows, whatever rate was set at 08:30
    assert told.volume_ml.open
    assert amount(logs, "lost start", "08:40", "09:20").volume_ml.open
    assert amount(logs, "lost resumption", "08:40", "08:50").volume_ml.open
    assert not amount(logs, "lost resumption", "09:00", "10:00").volume_ml.open


def test_a_rate_may_have_been_set_in_a_pause_that_was_lost(logs: Path) -> None:
    told = amount(logs, "lost pause", "08:30", "09:30").volume_ml
    assert (told.seen, told.low, told.open) == (100, 0, False), "no more than at the rate that was told"
    told = amount(logs, "no pause", "08:30", "09:30").volume_ml
    assert told.low == pytest.approx(50, abs=0.1)


def test_a_strength_that_was_not_told_again_may_be_another(logs: Path) -> None:
    told = amount(logs, "lost strength", "08:30", "08:50")
    assert not told.volume_ml.open, "the rate was told again at 08:30"
    assert told.drugs[0].amount.open
    assert any("strength" in why for why in told.why_open)
    told = amount(logs, "lost strength", "09:00", "09:30")
    assert not told.drugs[0].amount.open, "both were told again at 09:00"


def test_the_rate_of_a_bolus_is_not_that_of_the_infusion(logs: Path) -> None:
    assert amount(logs, "lost before a bolus", "08:40", "08:50").volume_ml.open
    assert not amount(logs, "lost before a bolus", "09:00", "09:30").volume_ml.open


def test_a_stop_is_told_with_what_it_stopped(logs: Path) -> None:
    told = traced(logs, "same second", "07:00", "11:00")
    stop = next(line for line in told.lines if line.kind == "infusion_stopped")
    assert (stop.infusion, stop.volume_ml, stop.concentration) == (1, 10, "1 mg/mL")
    start = [line for line in told.lines if line.kind == "infusion_started"][1]
    assert (start.infusion, start.volume_ml, start.concentration) == (2, 0, "8 mg/mL")


def test_a_rate_set_in_a_pause_is_the_evidence_of_the_step(logs: Path) -> None:
    told = traced(logs, "in a pause", "07:00", "11:00")
    (step,) = [f for f in told.findings if f.rule == "rate_step"]
    kinds = {line.event_id: line.kind for line in told.lines}
    assert [kinds[event] for event in step.evidence] == ["rate_changed"]


def test_outside_the_library_no_limit_is_in_force(logs: Path) -> None:
    told = traced(logs, "left", "07:00", "11:00")
    within, outside = told.infusions
    assert within.limits == "dose rate: soft 1 to 30, hard up to 60 mg/h"
    assert outside.limits == ""
    (finding,) = [f for f in told.findings if f.rule == "outside_library"]
    assert "records name linol" in finding.what
    assert all(not line.limits for line in told.lines if line.library_use == "bypassed")


def test_a_completion_after_which_it_was_kept_open_unseen_ends_no_doubt(logs: Path) -> None:
    assert amount(logs, "kept open unseen", "08:40", "09:00").volume_ml.open
    assert not amount(logs, "kept open unseen", "09:04", "10:00").volume_ml.open


def test_a_bolus_comes_on_top_of_what_may_have_run(logs: Path) -> None:
    told = amount(logs, "on top", "08:10", "08:20")
    # ten minutes at 20 and 30 together
    assert told.volume_ml.high == pytest.approx(50 / 6, abs=0.05)


#: Read with numbers that are not said to be without holes, times to the minute, the facility's clocks.
LOOSE = {
    # half a litre an hour for less than the clock can show
    "brief": ("2026-01-12", """
        08:00 | start     | A | linol | 10
        08:30 | bolus     | A |       | 600
        08:30 | bolus end | A
        09:00 | stop      | A
    """),
    # clocks go back on 25 October at 02:00: which of these came first, nothing tells
    "autumn": ("2026-10-25", """
        00:30 | start | A | linol | 10
        01:20 | stop  | A
        01:40 | start | A | linol | 100
        03:00 | stop  | A
    """),
    # clocks go on on 28 March at 01:00: 02:10 is a quarter of an hour after 00:55
    "spring": ("2027-03-28", """
        00:55 | start | A | linol | 10
        02:10 | rate  | A |       | 1x
        05:00 | stop  | A
    """),
    "tail": ("2026-01-12", """
        08:00 | start | A | linol | 10
        09:00 | stop  | A
        25:00 | start | A | linol | 100
    """),
}  # fmt: skip


@pytest.fixture(scope="module")
def loose(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site that has read those; changed by nobody."""
    root = tmp_path_factory.mktemp("loose logs") / "site"
    make_site(root)
    mapping = root / "sources" / "plain.toml"
    text = mapping.read_text(encoding="utf-8").replace(
        "sequence_reliable = true", "sequence_reliable = false"
    )
    text = text.replace("[time]", "[time]\nresolution_s = 60").replace(
        "canonical", "file_order = true\ncanonical"
    )
    mapping.write_text(text, encoding="utf-8")
    for pump, (day, log) in LOOSE.items():
        (root / "inbox" / f"{pump}.csv").write_text(HEADER + rows_of(pump, log, day), encoding="utf-8")
    ingest(load_site(root), (), build=True)
    return root


def whole(root: Path, pump: str, *between: datetime) -> Trace:
    """Return a trace of the day of a pump's log, with the amount between two moments last."""
    site, day = load_site(root), datetime.fromisoformat(LOOSE[pump][0]).replace(tzinfo=UTC)
    asked = Asked(pump, None, day, day + timedelta(hours=12), between=(between,) if between else ())  # type: ignore[arg-type]
    return trace(site, Ledger.open(site.store).snapshot(), asked)


def test_what_lasts_less_than_a_step_of_the_clock_is_in_the_bound(loose: Path) -> None:
    told = whole(loose, "brief").pumped[-1]
    # an hour at 10; 600 mL/h for up to two minutes is 20 mL, and the steps at 08:00 and 09:00 are of a minute
    assert told.volume_ml.high == pytest.approx(30, abs=0.5)
    assert not told.volume_ml.open
    # 1 mg/mL
    assert told.drugs[0].amount.high == pytest.approx(30, abs=0.5)


def test_where_the_order_is_open_no_bound_is_given(loose: Path) -> None:
    told = whole(loose, "autumn").pumped[-1]
    # the stop may have come an hour after the start at 100, or before it: that ran for 0 to 140 minutes
    assert told.volume_ml.open
    assert told.volume_ml.low <= 10 * 50 / 60
    assert any("in order" in why for why in told.why_open)


def test_an_unread_record_stands_at_its_own_time_across_a_change_of_the_clocks(loose: Path) -> None:
    told = whole(loose, "spring")
    unread = next(line for line in told.lines if line.what_kind == "unread")
    assert unread.at == datetime(2027, 3, 28, 1, 10, tzinfo=UTC)


def test_an_unread_record_after_the_last_one_is_told(loose: Path) -> None:
    told = whole(loose, "tail")
    assert [line.what_kind for line in told.lines] == ["event", "event", "unread"]
    # it may have been a start
    assert told.pumped[-1].volume_ml.open
    until = at("09:00")
    assert not whole(loose, "tail", at("08:00"), until).pumped[-1].volume_ml.open
