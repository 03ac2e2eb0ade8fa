"""Device messages through the whole path: the site in `tests/functional/hl7`, and published examples.

The published messages are examples of the IHE PCD Technical Framework Vol. 2, Rev. 8.0 and 9.0 (delivery
start: App. M.1.2.2; occlusion: App. E.3.2). They are no part of this project: their tests are skipped where
they are not at hand.
"""

from __future__ import annotations

import itertools
import random
import shutil
from pathlib import Path
from typing import Any

import pytest

from dripledger.errors import ConfigurationError
from dripledger.events import ingest, retry
from dripledger.site import load_site
from dripledger.store import Ledger
from dripledger.store.snapshot import ALL_TABLES
from tests.database import connection
from tests.functional.hl7.messages import MG_ML, ML, ML_H, alert, device_event, event, text

SITE = Path(__file__).parent / "hl7"
PUBLISHED = Path(__file__).resolve().parents[2].parent / "shared" / "published_messages"
DAY = "20260114"
NEEDS_PUBLISHED = pytest.mark.skipif(not PUBLISHED.is_dir(), reason="the published messages are not at hand")


def at(clock: str) -> str:
    return f"{DAY}{clock.replace(':', '')}-0600"


class Ingested:
    """One site after one or more ingests."""

    def __init__(self, root: Path) -> None:
        self.root = root
        shutil.copytree(SITE / "sources", root / "sources")
        shutil.copy(SITE / "site.toml", root / "site.toml")
        (root / "inbox").mkdir()
        self.told: dict[str, Any] = {}

    def drop(self, name: str, data: str | bytes) -> Ingested:
        (self.root / "inbox" / name).write_bytes(data.encode() if isinstance(data, str) else data)
        return self

    def mapping(self, old: str, new: str) -> Ingested:
        path = self.root / "sources" / "device_messages.toml"
        assert old in path.read_text()
        path.write_text(path.read_text().replace(old, new))
        return self

    def ingest(self, build: bool = True) -> Ingested:
        self.told = ingest(load_site(self.root), build=build).as_json()
        assert self.told["balanced"]
        return self

    def read(self) -> Ingested:
        """Ingest where only what was logged is asked for: no infusions and no alarms are built."""
        return self.ingest(build=False)

    def rows(self, sql: str) -> list[tuple[Any, ...]]:
        con = connection()
        try:
            Ledger.open(self.root / "store").snapshot().attach(
                con, [name for name in ALL_TABLES if name in sql]
            )
            return con.sql(sql).fetchall()
        finally:
            con.close()


@pytest.fixture
def site(tmp_path: Path) -> Ingested:
    return Ingested(tmp_path / "a site")


@pytest.fixture(scope="module")
def morning(tmp_path_factory: pytest.TempPathFactory) -> Ingested:
    """Return the site's own inbox after one ingest: read by all, changed by none."""
    made = Ingested(tmp_path_factory.mktemp("hl7") / "site")
    shutil.copytree(SITE / "inbox", made.root / "inbox", dirs_exist_ok=True)
    return made.ingest()


def test_every_message_is_accounted_for(morning: Ingested) -> None:
    data = (SITE / "inbox" / "5_north.hl7").read_bytes()
    assert morning.told["rows_read"] == data.count(b"\rMSH|") == 15
    assert (morning.told["events_kept"], morning.told["events"]) == (15, 15)
    assert (morning.told["quarantined"], morning.told["rows_ignored"], morning.told["duplicates"]) == (
        0,
        0,
        0,
    )


def test_events_are_kept_as_logged(morning: Ingested) -> None:
    # 14 January, six hours behind UTC; the stop of 09:00 was sent last
    assert morning.rows(
        "select strftime(occurred_at, '%H:%M:%S'), kind, channel, rate_ml_h, library_use, stop_reason, "
        "volume_delivered_ml from events order by occurred_at, source_record"
    ) == [
        ("14:00:00", "infusion_started", "1", 12.0, "limited", None, 0.0),
        ("15:00:00", "infusion_started", "1", 18.0, "limited", None, 12.0),
        ("15:00:00", "infusion_stopped", "1", 12.0, None, None, 12.0),
        ("15:40:00", "alarm_raised", "", None, None, None, None),
        ("15:40:00", "infusion_stopped", "1", 18.0, None, "alarming", 24.0),
        ("15:40:05", "alarm_silenced", "", None, None, None, None),
        ("15:40:09", "alarm_cleared", "", None, None, None, None),
        ("15:41:00", "infusion_started", "1", 18.0, "limited", None, 24.0),
        ("16:41:00", "infusion_completed", "1", 18.0, None, None, 42.0),
        ("16:41:00", "kvo_started", "1", 1.0, None, None, 42.0),
        ("16:51:00", "infusion_stopped", "1", 1.0, None, "by-clinician", 42.17),
        ("16:52:00", "totals_cleared", "", None, None, None, None),
        ("16:55:00", "patient_changed", "", None, None, None, None),
        ("17:00:00", "infusion_started", "1", 80.0, "bypassed", None, 0.0),
        ("17:30:00", "infusion_stopped", "1", 80.0, None, "by-clinician", 40.0),
    ]
    assert morning.rows("select distinct library_use_basis from events where library_use is not null") == [
        ("inferred",)
    ]
    assert morning.rows("select unmapped from events where unmapped <> []") == []


def test_stops_and_starts_fold_into_infusions(morning: Ingested) -> None:
    # 12 mL/h for 1 h, 18 mL/h for 40 min and for 1 h: 12 + 12 + 18 = 42 mL; then 1 mL/h for 10 min kept open
    assert morning.rows(
        "select entry, library_use, start_kind, end_kind, round(running_hours, 6), volume_ml::double, "
        "round(volume_keep_open_ml::double, 6), user_rate_changes, uncertain "
        "from infusions order by started_at"
    ) == [
        ("Dopamine", "limited", "start", "stopped", 2.666667, 42.0, 0.166667, 1, False),
        (None, "bypassed", "start", "stopped", 0.5, 40.0, 0.0, 0, False),
    ]


def test_a_stop_for_the_reason_of_an_alarm_is_delivery_lost(morning: Ingested) -> None:
    # alarm and stop of 15:40:00 are of one second; somebody starts it again at 15:41:00
    assert morning.rows(
        "select strftime(started_at, '%H:%M:%S'), strftime(ended_at, '%H:%M:%S') from segments "
        "where state = 'stopped_by_alarm'"
    ) == [("15:40:00", "15:41:00")]
    assert morning.rows("select alarm_kind, stopped_delivery from alarms") == [("occlusion", True)]


def test_two_events_with_one_control_id_are_two_events(morning: Ingested) -> None:
    data = (SITE / "inbox" / "5_north.hl7").read_bytes()
    assert data.count(b"|900101|P|") == 2
    assert morning.rows(
        "select count(*) from events where strftime(occurred_at, '%H:%M:%S') = '15:00:00'"
    ) == [(2,)]


def test_people_appear_nowhere(morning: Ingested) -> None:
    keys = morning.rows("select count(distinct patient_key), count(distinct order_key) from events")
    assert keys == [(2, 1)]
    # originals are what was sent, owner-only; everything else knows the number by its pseudonym alone
    names = (
        b"Quillfeather",
        b"Ottoline",
        b"Marrowby",
        b"19520714",
        b"1952-07-14",
        b"Lanternfish",
        b"NURSE-4471",
        b"FH700155",
        b"FH700190",
        b"FH-ORDER-8821",
    )
    for path in morning.root.rglob("*"):
        if path.is_file() and not {"originals", "inbox"} & set(path.relative_to(morning.root).parts):
            data = path.read_bytes()
            assert not any(name in data for name in names), path
    for table in ("events", "quarantined", "infusions", "segments", "ingests", "commits"):
        shown = repr(morning.rows(f"select * from {table}")).encode()
        assert not any(name in shown for name in names), table


def test_people_are_not_in_quarantine_either(site: Ingested) -> None:
    broken = event("start", at("08:00:00"), weight="heavy")
    site.drop("broken.hl7", text(broken)).read()
    ((reasons, fields),) = site.rows("select reasons, fields_json from quarantined")
    assert reasons == ["not_a_number"]
    assert '"heavy"' in fields
    assert not any(name in fields for name in ("Quillfeather", "FH700155", "FH-ORDER", "NURSE", "1952"))


@pytest.mark.parametrize("field", ["patient", "order_placer"])
def test_a_personal_field_is_keyed_or_not_read(site: Ingested, field: str) -> None:
    site.mapping(f'{{ field = "{field}", personal = "key" }}', f'"{field}"')
    with pytest.raises(ConfigurationError, match=f"the field '{field}' is about a person"):
        site.read()


def test_a_field_that_no_message_has_is_refused(site: Ingested) -> None:
    site.mapping('{ value = "large_volume" }', '"patient_name"')
    with pytest.raises(ConfigurationError, match="a device message has no field 'patient_name'"):
        site.read()


@pytest.mark.slow
@pytest.mark.merge
def test_order_and_resending_change_nothing(tmp_path: Path) -> None:
    messages = [
        event("start", at("08:00:00"), control="1"),
        event("stop", at("09:00:00"), status="transitioning", volume="12.0", control="1"),
        event("start", at("09:00:00"), rate="18.0", volume="12.0", control="2"),
        alert("start", at("09:10:00")), alert("end", at("09:10:09"), state="inactive"),
        event("stop", at("10:00:00"), status="not-delivering", rate="18.0", volume="30.0"),
    ]  # fmt: skip
    columns = "event_id, kind, occurred_at, channel, rate_ml_h, volume_delivered_ml, alarm_id, values_digest"
    sql = f"select {columns} from events order by event_id"
    straight = Ingested(tmp_path / "straight").drop("a.hl7", text(*messages)).ingest()
    wanted = (
        straight.rows(sql),
        straight.rows("select * exclude (source_name) from infusions order by infusion_id"),
    )
    # the numbers of the messages and the time of sending are no part of an event
    again = [s.replace("|1|P|2.6|", "|901|P|2.6|") for m in messages[:2] for s in m]
    shuffled = messages.copy()
    random.Random(5).shuffle(shuffled)
    late = Ingested(tmp_path / "late").drop("b.hl7", text(*shuffled[:3])).ingest()
    late.drop("c.hl7", text(*shuffled[3:], again, end="\r\n")).ingest()
    assert late.told["duplicates"] == 2
    assert (
        late.rows(sql),
        late.rows("select * exclude (source_name) from infusions order by infusion_id"),
    ) == wanted
    assert late.drop("d.hl7", "\x0b" + text(*messages) + "\x1c\r").ingest().told["duplicates"] == 6


def test_a_piggyback_suspends_and_resumes_its_primary(site: Ingested) -> None:
    second = {"active": "secondary", "source": "1.1.3.0", "drug": "Cefazolin", "dose": None, "rate": "60.0",
              "concentration": "20"}  # fmt: skip
    off = {"status": "not-delivering", "reason": "switching-source"}
    site.drop("piggyback.hl7", text(
        event("start", at("08:00:00")),
        event("stop", at("09:00:00"), volume="12.0", **off),
        event("start", at("09:00:00"), **second),
        event("complete", at("09:50:00"), volume="50.0", **second, **off),
        event("start", at("09:50:00"), volume="12.0"),
        event("stop", at("10:00:00"), volume="14.0", status="not-delivering", reason="by-clinician"),
    )).ingest()  # fmt: skip
    assert site.rows(
        "select entry, fluid_source, start_kind, end_kind, volume_ml::double "
        "from infusions order by started_at"
    ) == [
        ("Dopamine", "primary", "start", "stopped", 14.0),
        ("Cefazolin", "secondary", "start", "completed", 50.0),
    ]


def test_alarms(site: Ingested) -> None:
    battery = {"code": "196802^^MDC", "ident": "B1", "flags": ""}
    site.drop("alarms.hl7", text(
        alert("start", at("08:00:00")),
        alert("escalate", at("08:00:30"), flags="PH"),
        alert("update", at("08:01:00"), inactivation="audio-paused"),
        alert("acknowledged", at("08:02:00"), inactivation="alert-acknowledged"),
        alert("end", at("08:03:00"), state="inactive"),
        alert("start", at("08:10:00"), facets={6: "PL", 7: "SA"}, **battery),
        alert("tpoint", at("08:20:00"), ident="T1", code="0^MDCX_EVT_HUM^MDC"),
        alert("present", at("08:30:00"), module=2),
    )).ingest()  # fmt: skip
    assert site.rows(
        "select kind, alarm_id, alarm_kind, alarm_priority, alarm_type, stops_delivery, channel, unmapped "
        "from events order by occurred_at, record_place"
    ) == [
        ("alarm_raised", "FH31_A7", "occlusion", "high", "technical", True, "", []),
        ("alarm_updated", "FH31_A7", "occlusion", "high", None, True, "", []),
        ("alarm_silenced", "FH31_A7", "occlusion", "high", "technical", True, "", []),
        ("alarm_silenced", "FH31_A7", "occlusion", "high", "technical", True, "", []),
        ("alarm_cleared", "FH31_A7", "occlusion", "high", "technical", True, "", []),
        ("alarm_raised", "B1", "low_battery", "low", "advisory", False, "", []),
        ("alarm_raised", "T1", "other", "high", "technical", None, "", ["alarm"]),
        ("alarm_cleared", "T1", "other", "high", "technical", None, "", ["alarm"]),
        ("alarm_updated", "FH31_A7", "occlusion", "high", "technical", True, "2", []),
    ]


def test_events_of_the_whole_pump(site: Ingested) -> None:
    weighed = [
        *device_event("parameter", at("08:03:00")),
        "OBX|4|NM|68063^MDC_ATTR_PT_WEIGHT^MDC|1.0.0.9|66.5|263875^MDC_DIM_KILO_G^MDC|||||R",
    ]
    site.drop("device.hl7", text(
        device_event("patient", at("08:00:00")), device_event("counters", at("08:01:00")),
        device_event("clock", at("08:02:00")), weighed, device_event("contact", at("08:04:00")),
        device_event("^MDCX_EVT_PUMP_HUMMED^MDC", at("08:05:00")),
    )).read()  # fmt: skip
    assert site.rows(
        "select kind, kind_logged, channel, weight_kg, unmapped from events order by occurred_at"
    ) == [
        ("patient_changed", "MDC_EVT_PATIENT_CHANGE", "", None, []),
        ("totals_cleared", "MDC_EVT_PUMP_VOL_COUNTERS_CLEARED", "", None, []),
        ("clock_set", "MDC_EVT_DEVICE_TIME_CHANGED", "", None, []),
        ("weight_changed", "MDC_EVT_PATIENT_PARAMETER_CHANGE weight", "", 66.5, []),
        ("other", "MDC_EVT_COMM_STATUS_CHANGE", "", None, []),
        ("other", "MDCX_EVT_PUMP_HUMMED", "", None, ["kind"]),
    ]


def test_what_cannot_be_read_waits_with_its_reason(site: Ingested) -> None:
    good = event("start", at("08:00:00"))
    more = "OBX|60|CWE|68487^MDC_ATTR_EVT_COND^MDC|1.0.0.9|^MDC_EVT_PUMP_DELIV_STOP||||||R"
    no_offset = event("start", f"{DAY}080200")
    odd_unit = [s.replace("mg/mL^mg/mL^UCUM", "ug/mL^ug/mL^UCUM") for s in event("start", at("08:03:00"))]
    assert any(MG_ML not in s and "ug/mL" in s for s in odd_unit)
    site.drop("mixed.hl7", text(
        good[6:], good, ["MSH", "OBX|1"], [*event("start", at("08:01:00")), more], no_offset, odd_unit,
        event("start", at("08:04:00"), pump=""),
        event("start", at("08:05:00"))[:6],
        ["MSH|^~\\&|GATEWAY||||20260114||ACK^R42|5|P|2.6", "MSA|AA|4"],
    )).read()  # fmt: skip
    assert site.rows("select source_record, reasons[1:1] from quarantined order by source_record") == [
        (1, ["not_a_message"]),
        (3, ["separators_unreadable"]),
        (4, ["several_events"]),
        (5, ["time_without_zone"]),
        (6, ["unknown_unit"]),
        (7, ["no_pump"]),
        (8, ["event_missing"]),
    ]
    counts = ("rows_read", "events_kept", "quarantined", "rows_ignored")
    assert [site.told[name] for name in counts] == [9, 1, 7, 1]


def test_a_record_that_waited_is_read_again_after_the_mapping_was_mended(site: Ingested) -> None:
    local = [s.replace(ML_H, "^drips^LOCAL") for s in event("start", at("08:01:00"))]
    site.drop("local.hl7", text(event("start", at("08:00:00")), local)).read()
    assert site.rows("select source_record, reasons from quarantined") == [(2, ["unknown_unit"])]
    site.mapping("[alarms]", '[units]\n"drips" = "mL/h"\n\n[alarms]')
    assert retry(load_site(site.root), build=False).as_json()["events_kept"] == 1
    assert site.rows("select rate_ml_h from events order by occurred_at") == [(12.0,), (12.0,)]


def test_a_file_that_was_cut_inside_a_character(site: Ingested) -> None:
    data = text(event("start", at("08:00:00")), event("start", at("09:00:00"), care_area="Säle")).encode()
    site.drop("cut.hl7", data[: data.index("ä".encode()) + 1]).read()
    assert site.rows("select source_record, reasons from quarantined") == [(2, ["cut_inside_character"])]
    assert site.told["events_kept"] == 1


def test_other_separators_and_escapes_reach_the_ledger(site: Ingested) -> None:
    plain = text(event("start", at("08:00:00"), care_area="Heart |&| Lung", drug="5 % glucose ^ saline"))
    plain = plain.replace("Heart |&| Lung", "Heart \\F\\\\T\\\\F\\ Lung").replace(
        "glucose ^", "glucose \\S\\"
    )
    marks = str.maketrans("|^~\\&", "#!*?%")
    moved = plain.translate(marks).replace("5 % glucose", "5 ?T? glucose")
    site.drop("moved.hl7", moved).read()
    assert site.rows("select care_area, entry, rate_ml_h from events") == [
        ("Heart #%# Lung", "5 % glucose ! saline", 12.0)
    ]


def test_the_source_claims_no_kind_that_the_profile_lacks(morning: Ingested) -> None:
    (declared,) = morning.rows("select records_json from ingests")
    assert "limit_alerted" not in declared[0]
    assert "library_bypassed" not in declared[0]


@NEEDS_PUBLISHED
def test_published_delivery_start(site: Ingested) -> None:
    site.drop("published.hl7", (PUBLISHED / "01_pcd10_delivery_start_tf_rev9.hl7").read_bytes()).read()
    assert site.rows(
        "select kind, pump_id, rate_ml_h, dose_value, dose_unit, concentration_value, concentration_unit, "
        "weight_kg, care_area, library_version, entry, volume_to_infuse_ml, programmed_duration_s, "
        "library_use, library_use_basis, location, strftime(occurred_at, '%Y-%m-%d %H:%M:%S') from events"
    ) == [
        ("infusion_started", "E0002", 15.4, 5.0, "ug/kg/min", 1.6, "mg/mL", 82.0, "Crit Care", "DL1",
         "Dopamine", 250.0, 974 * 60.0, "limited", "inferred", "3 West ICU", "2015-10-15 18:21:06"),
    ]  # fmt: skip


@NEEDS_PUBLISHED
@pytest.mark.parametrize("order", list(itertools.permutations((0, 1))))
def test_published_occlusion_lasts_nine_seconds(site: Ingested, order: tuple[int, int]) -> None:
    names = ("03_pcd04_fluid_line_occlusion_start.hl7", "04_pcd04_fluid_line_occlusion_end.hl7")
    site.drop("pair.hl7", b"".join((PUBLISHED / names[place]).read_bytes() for place in order)).read()
    assert site.rows(
        "select r.pump_id, r.alarm_id, r.alarm_kind, r.alarm_type, r.alarm_priority, "
        "date_diff('second', r.occurred_at, c.occurred_at) "
        "from events r join events c using (facility, pump_id, channel, alarm_id) "
        "where r.kind = 'alarm_raised' and c.kind = 'alarm_cleared'"
    ) == [("P6013", "P6013_4", "occlusion", "technical", None, 9)]


@NEEDS_PUBLISHED
def test_published_occlusion_in_the_timeline(site: Ingested) -> None:
    """The alarm of the published pair stands nine seconds, in words and in the table of alarms."""
    from datetime import timedelta

    from dripledger.incidents import Asked, trace

    names = ("03_pcd04_fluid_line_occlusion_start.hl7", "04_pcd04_fluid_line_occlusion_end.hl7")
    site.drop("pair.hl7", b"".join((PUBLISHED / name).read_bytes() for name in names)).ingest()
    ((first,),) = site.rows("select min(occurred_at) from events")
    snapshot = Ledger.open(site.root / "store").snapshot()
    told = trace(load_site(site.root), snapshot, Asked("P6013", None, first, first + timedelta(minutes=1)))
    assert [(a.kind, a.seconds, (a.cleared_at - a.raised_at).total_seconds()) for a in told.alarms] == [
        ("occlusion", 9.0, 9.0)
    ]
    raised = next(line for line in told.lines if line.kind == "alarm_raised")
    assert "cleared after 9 s" in raised.what


def test_units_in_the_fixture_are_those_that_the_framework_prints() -> None:
    assert [unit.split("^")[3] for unit in (ML_H, ML, MG_ML)] == ["mL/h", "mL", "mg/mL"]
