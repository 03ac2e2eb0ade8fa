"""An update that reads a pump again only from a switching-off equals a full build, row for row.

`test_infusions_incremental` splits short logs anyhow, and they are read whole; here logs are long, are split
in time, and most of a pump's log is not read again. Each test says so as well: a pump that is read whole
proves nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from importlib import import_module
from random import Random
from typing import Any

import pyarrow as pa
import pytest
from tests.generative import drawn_fleet
from tests.generative.awkward_logs import Row, blank
from tests.generative.test_infusions_incremental import DERIVED, SITE, MemoryWriter, full, rows, with_events

from dripledger.engine import connect, load_sql_files
from dripledger.infusions import resume, update
from dripledger.schema import EVENT_KINDS, TABLES

BEGIN = datetime(2026, 3, 2, 8, tzinfo=UTC)
#: A pump as `resumed` has it: when it is read, compared and replaced from.
Resumed = dict[str, tuple[datetime | None, datetime | None, datetime | None]]
Grown = tuple[Resumed, MemoryWriter, list[Row]]
#: One pump's log, day by day.
Days = list[list[Row]]


def watched(patch: pytest.MonkeyPatch) -> Resumed:
    """Return what is chosen for each pump in the newest update, as it will be."""
    chosen: Resumed = {}

    def choose(con: Any) -> None:
        resume.choose(con)
        chosen.clear()
        for pump, *moments in con.execute(
            "select pump_id, read_from, check_from, replace_from from resumed"
        ).fetchall():
            chosen[pump] = tuple(moments)

    # the room has a function of the module's name
    patch.setattr(import_module("dripledger.infusions.update"), "choose", choose)
    return chosen


def take(writer: MemoryWriter, events: Sequence[Row], new: Sequence[Row]) -> None:
    """Update with events of which some are new, as an ingest does."""
    first: dict[str, datetime] = {}
    for row in new:
        first[row["pump_id"]] = min(first.get(row["pump_id"], row["occurred_at"]), row["occurred_at"])
    con = with_events(events)
    touched = pa.table(
        {
            "facility": pa.array(["Linden"] * len(first)),
            "pump_id": pa.array(list(first)),
            "first_touched_at": pa.array(list(first.values()), pa.timestamp("us", "UTC")),
        }
    )
    update(writer, con, SITE, touched)
    con.close()


def equal(writer: MemoryWriter, events: Sequence[Row], but: str = "") -> None:
    """Compare with a full build, one pump left out."""
    wanted = full(events)
    for name in DERIVED:
        told = [row for row in rows(writer.tables[name], name) if row["pump_id"] != but]
        assert told == wanted[name], name


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(1, 16))])
def test_a_log_in_parts_gives_what_a_full_build_gives(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fleet's six weeks arrive in four parts; now and then an event comes with the part after its own."""
    chosen, draw = watched(monkeypatch), Random(seed)
    log = drawn_fleet.drawn(seed, pumps=6)
    moments = sorted(row["occurred_at"] for row in log)
    borders = sorted(draw.sample(moments[len(moments) // 2 :], 3))
    parts: list[list[Row]] = [[] for _ in range(4)]
    for row in log:
        number = sum(row["occurred_at"] >= border for border in borders)
        parts[min(number + (draw.random() < 0.002), 3)].append(row | {"facility": "Linden"})
    writer, later = MemoryWriter(), 0
    known: list[Row] = []
    for part in parts:
        known = known + part
        take(writer, known, part)
        later += sum(read_from is not None for read_from, _, _ in chosen.values())
    assert later >= 6
    equal(writer, known)


def session(number: int) -> list[Row]:
    """One day's use: switched on, an infusion whose rate is changed, switched off."""
    at = BEGIN + timedelta(days=number)
    told: list[tuple[int, str, str, dict[str, Any]]] = [
        (0, "powered_on", "", {"library_version": "7"}),
        (60, "infusion_started", "A", {"rate_ml_h": 30.0, "library_use": "limited", "entry": "heparin"}),
        (600, "rate_changed", "A", {"rate_ml_h": 60.0}),
        (4_000, "infusion_stopped", "A", {}),
        (4_100, "powered_off", "", {}),
    ]
    return [
        blank(100 * number + place, at + timedelta(seconds=after), kind, channel)
        | {"sequence": 100 * number + place, "sequence_reliable": True}
        | values
        for place, (after, kind, channel, values) in enumerate(told)
    ]


def told_on_third(**values: Any) -> Callable[[Days], None]:
    def change(logs: Days) -> None:
        logs[2][1] |= values

    return change


def secondary_on_third(logs: Days) -> None:
    for log in logs:
        for row in log[1:4]:
            row["fluid_source"] = "secondary" if log is logs[2] else "primary"


def library_on_first(logs: Days) -> None:
    for row in (row for log in logs[1:] for row in log):
        row["library_version"] = None


def counter_anew(logs: Days) -> None:
    for row in (row for log in logs[8:] for row in log):
        row["sequence"] -= 800


def counter_back_in_a_day(logs: Days) -> None:
    """The clock is set back while the pump runs: the counter still tells the order."""
    for row in logs[8][2:]:
        row["occurred_at"] -= timedelta(seconds=300)


def never_off(logs: Days) -> None:
    for log in logs:
        del log[-1]


def off_on_a_channel(logs: Days) -> None:
    for log in logs:
        log[-1]["channel"] = "A"


def never_silent(logs: Days) -> None:
    """A key is pressed every 59 minutes: within the hour in which what was stopped could go on."""
    for log in logs:
        off = log[-1]
        log += [
            off
            | {"occurred_at": off["occurred_at"] + timedelta(minutes=59 * n), "kind": "key_pressed"}
            | {"sequence": off["sequence"] + n, "event_id": f"{off['event_id']}-{n}"}
            for n in range(1, 24)
        ]


def late(logs: Days) -> None:
    """The newest day brings an event of the first one."""
    logs[-1].append(
        logs[0][2] | {"event_id": "late", "kind": "key_pressed", "sequence": None, "sequence_reliable": False}
    )


def year_of_the_newest(year: int) -> Callable[[Days], None]:
    def change(logs: Days) -> None:
        for row in logs[-1]:
            row["occurred_at"] = row["occurred_at"].replace(year=year)
            row["device_time"] = row["device_time"].replace(year=year)

    return change


def update_of_an_endless_alarm(logs: Days) -> None:
    logs[4][2] |= {"kind": "alarm_updated", "alarm_kind": "occlusion", "source_name": "mute"}


#: What becomes of ten like days, and the day at whose switching-off reading begins; None: it is read whole.
CASES: dict[str, tuple[Callable[[Days], None], int | None]] = {
    "plain": (lambda _: None, 5),
    "patient": (told_on_third(patient_key="k1"), 1),
    "type": (told_on_third(pump_type="syringe"), 1),
    "counter": (told_on_third(volume_delivered_ml=12.0, volume_scope="since_cleared"), 1),
    "secondary": (secondary_on_third, 1),
    # what names no line may be of either
    "no lines": (told_on_third(fluid_source="secondary"), None),
    "dose": (told_on_third(dose_value=5.0, dose_unit="mg/h"), 1),
    "bypass": (told_on_third(kind="library_bypassed", library_use=None), 1),
    "library": (library_on_first, None),
    "anew": (counter_anew, None),
    "back": (counter_back_in_a_day, 5),
    "on": (never_off, None),
    "one channel off": (off_on_a_channel, None),
    "noisy": (never_silent, None),
    "late": (late, None),
    "first year": (year_of_the_newest(1), None),
    "last year": (year_of_the_newest(9999), None),
    "mute": (update_of_an_endless_alarm, None),
}


@pytest.fixture(scope="module")
def grown() -> tuple[Resumed, MemoryWriter, list[Row]]:
    """All but the newest day of every pump taken at once, then that."""
    with pytest.MonkeyPatch.context() as patch:
        chosen = watched(patch)
        before, newest = [], []
        for name, (change, _) in CASES.items():
            logs = [session(number) for number in range(10)]
            change(logs)
            pump = [
                [row | {"pump_id": name, "event_id": f"{name} {row['event_id']}"} for row in log]
                for log in logs
            ]
            before += [row for log in pump[:-1] for row in log]
            newest += pump[-1]
        writer = MemoryWriter()
        mute = dict.fromkeys(TABLES["ingests"].names)
        mute |= {"source_name": "mute", "records_json": '["alarm_updated"]'}
        schema = pa.schema([pa.field(field.name, field.type) for field in TABLES["ingests"].arrow_schema])
        writer.tables["ingests"] = pa.Table.from_pylist([mute], schema=schema)
        take(writer, before, before)
        take(writer, before + newest, newest)
        return chosen, writer, before + newest


@pytest.mark.parametrize("case", CASES)
def test_a_pump_is_read_from_where_all_that_holds_on_was_told(case: str, grown: Grown) -> None:
    chosen, _, events = grown
    read_from, _, replace_from = chosen[case]
    day = CASES[case][1]
    if day is None:
        assert (read_from, replace_from) == (None, None)
        return
    offs = sorted(
        row["occurred_at"] for row in events if row["pump_id"] == case and row["kind"] == "powered_off"
    )
    assert read_from == offs[day]
    # the newest day is the tenth; the one before it, and what is older, were there already
    assert replace_from is not None
    assert offs[7] < replace_from < offs[8]


def test_what_was_not_read_again_stands_as_a_full_build_makes_it(grown: Grown) -> None:
    _, writer, events = grown
    equal(writer, [row for row in events if row["pump_id"] != "mute"], but="mute")
    assert len([row for row in writer.tables["infusions"].to_pylist() if row["pump_id"] == "plain"]) == 10


@pytest.mark.slow
@pytest.mark.merge
def test_pumps_built_in_shares_are_built_as_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """Some hundred events a build instead of two million: each share holds one or two pumps."""
    monkeypatch.setattr(import_module("dripledger.infusions.update"), "_EVENTS_A_BUILD", 150)
    chosen, log = watched(monkeypatch), drawn_fleet.drawn(3, pumps=3)
    border = sorted(row["occurred_at"] for row in log)[-40]
    writer = MemoryWriter()
    before = [row for row in log if row["occurred_at"] < border]
    take(writer, before, before)
    take(writer, log, [row for row in log if row["occurred_at"] >= border])
    assert any(read_from is not None for read_from, _, _ in chosen.values())
    equal(writer, log)


def test_a_pump_that_does_not_come_out_as_it_stands_is_read_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where stored rows before the new ones are not what the log says, none of them is left to stand."""
    chosen = watched(monkeypatch)
    logs = [session(number) for number in range(10)]
    before = [row for log in logs[:-1] for row in log]
    writer = MemoryWriter()
    take(writer, before, before)
    stored = writer.tables["infusions"].to_pylist()
    for row in stored:
        row["care_area"] = "somewhere else"
    writer.tables["infusions"] = pa.Table.from_pylist(stored, schema=TABLES["infusions"].arrow_schema)
    take(writer, before + logs[-1], logs[-1])
    assert chosen["P1"][0] is not None
    equal(writer, before + logs[-1])


def test_what_is_in_force_is_told_as_the_rebuilding_tells_it() -> None:
    """Which kinds are only tried, asked or typed stands in two places; they have to say the same."""
    text = load_sql_files("infusions")["channel_log"].text
    by_sql = set(re.findall(r"'(\w+)'", text.split("s.kind not in (")[1].split(")")[0]))
    con = connect()
    con.execute("create table kinds (kind varchar)")
    con.executemany("insert into kinds values (?)", [[kind] for kind in EVENT_KINDS])
    held = {kind for (kind,) in con.execute(f"select kind from kinds where {resume.IN_FORCE}").fetchall()}
    con.close()
    assert by_sql == set(EVENT_KINDS) - held
