"""What an ingest does with files, mappings, people's data and mended declarations."""

from __future__ import annotations

import hashlib
import hmac
import json
import re
from importlib import import_module
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest
from tests.event_samples import HEADER, LINEAGE, WARDS, drop, events, make_site, read, rows, waiting
from tests.marks import LONG

from dripledger.errors import ConfigurationError, InputError, UsageError
from dripledger.events import IngestResult, balance, ingest, list_quarantine, retry
from dripledger.events import run as running
from dripledger.events.account import Account
from dripledger.site import load_site
from dripledger.store import LOOKUP_FILES, Ledger

ONE = HEADER + "P1,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"


def test_lineage_and_ledger(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    path = drop(site, "wards.csv", ONE + "P1,2026-10-01 10:01:00,2,BEAT,,,,\n")
    result = read(site)
    sha = hashlib.sha256(path.read_bytes()).hexdigest()
    assert result.as_json()["files"] == [
        {"path": "wards.csv", "sha256": sha, "source": "wards", "already_read": False, "rows_read": 2,
         "events_kept": 1, "duplicates": 0, "quarantined": 0, "rows_ignored": 1, "events": 1}
    ]  # fmt: skip
    assert result.ignored == {"sign of life, carries no event": 1}
    assert events(site, LINEAGE) == [(sha, 1, result.ingest_id)]
    whole = balance(Ledger.open(site.store).snapshot())
    assert whole.balanced
    assert whole.total("rows_read") == 2


def test_identity_is_md5_of_declared_parts(tmp_path: Path) -> None:
    """The id follows from what was logged: mending an alias, a label or a clock changes no id."""
    site = make_site(tmp_path)
    drop(site, "wards.csv", ONE)
    read(site)
    before = events(site, ("event_id",))
    make_site(
        tmp_path,
        {"wards": WARDS.replace('START = "infusion_started"', 'START = "infusion_resumed"')},
        '[care_areas."Adult intensive care"]\naliases = ["icu"]\n',
        clocks="pump,from,offset_s\nP1,,60\n",
    )
    result = read(site)
    assert result.rederived == 1
    assert events(site, ("event_id",)) == before
    assert events(site, ("kind", "kind_logged", "care_area", "care_area_logged", "clock_offset_s")) == [
        ("infusion_resumed", "START", "Adult intensive care", "ICU", 60.0)
    ]
    assert read(site).rederived == 0


def test_filed_label_gives_more_events_or_fewer(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", ONE.replace("START", "NEW"))
    read(site)
    assert events(site, ("kind", "unmapped")) == [("other", ["kind"])]
    make_site(tmp_path, {"wards": WARDS + 'NEW = ["library_bypassed", "infusion_started"]\n'})
    result = read(site)
    assert result.rederived == 2
    assert sorted(events(site, ("kind", "record_place"))) == [
        ("infusion_started", 1),
        ("library_bypassed", 0),
    ]  # type: ignore[type-var]
    assert balance(Ledger.open(site.store).snapshot()).balanced


def test_changed_number_format_keeps_what_can_no_longer_be_read(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", ONE.replace(",5,", ",5.5,"))
    read(site)
    make_site(tmp_path, {"wards": WARDS + '[delimited]\ndecimal = ","\n'})
    assert read(site).rederived == 0
    assert events(site, ("rate_ml_h",)) == [(5.5,)]


def test_retry_moves_the_balance(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", ONE.replace(",5,", ',"5,5",') + "P1,x,2,STOP,,,,\nP1,cut\n")
    assert read(site).total("quarantined") == 3
    assert list_quarantine(Ledger.open(site.store).snapshot(), "not_a_number").num_rows == 1
    with pytest.raises(UsageError, match="there is no reason"):
        list_quarantine(Ledger.open(site.store).snapshot(), "nonsense")
    make_site(tmp_path, {"wards": WARDS + '[delimited]\ndecimal = ","\n'})
    result = retry(load_site(tmp_path), build=False)
    assert (result.total("events_kept"), result.total("quarantined"), result.exit_code) == (1, 2, 0)
    assert events(site, ("rate_ml_h", "source_record")) == [(5.5, 1)]
    whole = balance(Ledger.open(site.store).snapshot())
    assert whole.balanced
    assert (whole.total("rows_read"), whole.total("events_kept"), whole.total("quarantined")) == (3, 1, 2)
    assert retry(load_site(tmp_path), build=False).ingest_id is None


def test_waiting_record_that_comes_again_is_a_duplicate(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards1.csv", HEADER + "P1,x,2,STOP,,,,\n")
    read(site)
    drop(site, "wards2.csv", ONE + "P1,x,2,STOP,,,,\n")
    result = read(site)
    assert (result.total("events_kept"), result.total("duplicates"), result.total("quarantined")) == (1, 1, 0)


PEOPLE = """
pattern = ["*.csv"]
shape = "delimited"
records = ["all"]
[time]
zone = "UTC"
[fields]
pump_id = "Device"
device_time = "Time"
kind = { value = "infusion_started" }
rate_ml_h = "Rate"
patient_key = { field = "MRN", personal = "key" }
[personal]
mask = ["Name"]
"""
SECRET = (
    "Device,Time,MRN,Name,Rate\nP1,2026-10-01 10:00:00,4711-0086,Miranda Quill,5\nP1,x,4711-0086,Miranda "
    "Quill,y\nP1,4711-0086\n"
)


def test_people_are_keyed_or_never_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRIPLEDGER_KEY", "a key for this test")
    site = make_site(tmp_path, {"people": PEOPLE})
    drop(site, "people.csv", SECRET)
    read(site)
    key = hmac.new(b"a key for this test", b"4711-0086", hashlib.sha256).hexdigest()
    assert events(site, ("patient_key",)) == [(key,)]
    assert sorted(json.loads(r[4])["MRN"] if r[4] else "" for r in waiting(site)) == ["", key]  # type: ignore[arg-type]
    for file in (p for p in site.store.rglob("*") if p.is_file()):
        assert b"4711-0086" not in file.read_bytes() or file.name.endswith(".crc"), file
        assert b"Miranda" not in file.read_bytes()


def test_no_key_no_ingest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DRIPLEDGER_KEY", raising=False)
    site = make_site(tmp_path / "site", {"people": PEOPLE})
    drop(site, "people.csv", SECRET)
    with pytest.raises(ConfigurationError, match="there is no key"):
        read(site)
    (tmp_path / "key").write_text("a secret of this test")
    make_site(tmp_path / "site", {"people": PEOPLE}, '[people]\nkey_file = "../key"\n')
    (tmp_path / "key").chmod(0o644)
    with pytest.raises(ConfigurationError, match="others than its owner"):
        read(site)
    (tmp_path / "key").chmod(0o600)
    assert read(site).total("events") == 1


def test_inputs_that_cannot_be_read(tmp_path: Path) -> None:
    """Each is one error; the others are committed; the exit code is 3."""
    site = make_site(tmp_path)
    drop(site, "wards1.csv", ONE)
    drop(site, "wards2.csv", ONE.replace("Weight", "Mass"))
    drop(site, "wards3.csv", ONE.encode() + b"P1,2026-10-01 10:00:00,2,ST\xffP,,,,\n" + ONE.encode())
    drop(site, "wards4.csv", "")
    drop(site, "notes.txt", "?")
    result = read(site)
    texts = [str(error) for error in result.failures]
    assert len(texts) == 3
    assert any("lacks the column 'Weight'" in t and "row 1" in t for t in texts)
    assert any("is not UTF-8" in t and "record 2" in t for t in texts)
    assert any("is empty" in t for t in texts)
    assert result.exit_code == 3
    assert result.unclaimed == ("notes.txt",)
    assert [f.path for f in result.files] == ["wards1.csv"]
    missing = ingest(site, [tmp_path / "nowhere.csv"], build=False)
    assert isinstance(missing.failures[0], InputError)
    assert missing.exit_code == 3


def test_cut_inside_a_character(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", ONE.encode() + "P1,2026-10-01 10:01:00,2,STOP,É".encode()[:-1])
    result = read(site)
    assert not result.failures
    assert waiting(site)[0][2] == ["cut_inside_character"]


def test_exit_code_4(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", ONE + "P1,x,2,STOP,,,,\n")
    assert read(site).exit_code == 4


def test_file_that_grows_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from dripledger.sources import originals

    site = make_site(tmp_path)
    path = drop(site, "wards.csv", ONE)
    real = originals.archive

    def growing(*args: object) -> object:
        told = real(*args)  # type: ignore[arg-type]
        with path.open("a") as stream:
            stream.write("P1,2026-10-01 10:01:00,2,STOP,,,,\n")
        return told

    monkeypatch.setattr(originals, "archive", growing)
    result = read(site)
    assert (result.left, result.files) == (("wards.csv",), ())
    monkeypatch.undo()
    assert read(site).total("events") == 2


def test_two_mappings_claim_one_file(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": WARDS, "other": WARDS})
    drop(site, "wards.csv", ONE)
    with pytest.raises(ConfigurationError, match="both claim"):
        read(site)
    assert ingest(site, source="other", build=False).total("events") == 1


def test_units_lookups_expressions(tmp_path: Path) -> None:
    mapping = """
pattern = ["*.csv"]
shape = "delimited"
records = ["all"]
[delimited]
separator = ";"
decimal = ","
[time]
format = "%d.%m.%Y %H:%M:%S"
zone = "UTC"
[fields]
pump_id = "Pump"
device_time = "When"
kind = "What"
channel = { expr = "item || '/' || link" }
rate_ml_h = { field = "Rate", unit_field = "Unit" }
dose_value = "Dose"
dose_unit = "Dose unit"
weight_kg = { field = "Mass", unit = "g" }
care_area = { lookup = "stays", by = "Stay", column = "unit" }
library_use = "Lib"
running_logged = "Runs"
[values.library_use]
IN = "limited"
[units]
"gamma/kg/min" = "ug/kg/min"
[lookups.stays]
file = "stays.csv"
key = "stay"
[kinds]
S = "infusion_started"
[[ignore]]
when = "case when What = 'T' then cast(Rate as integer) > 3 end"
reason = "a test"
"""
    site = make_site(tmp_path, {"units": mapping})
    (site.sources / "stays.csv").write_text("stay,unit\n7,Harbour ward\n")
    drop(
        site,
        "u.csv",
        "Pump;When;What;item;link;Rate;Unit;Dose;Dose unit;Mass;Stay;Lib;Runs\n"
        "P1;01.10.2026 10:00:00;S;a;b;0,5;mL/min;1,25;gamma/kg/min;70000;7;IN;yes\n"
        "P1;01.10.2026 10:00:01;S;a;b;0,5;furlong;;;;;;\n"
        "P1;01.10.2026 10:00:02;S;a;b;0,5;;;;;;;\n"
        "P1;01.10.2026 10:00:03;S;a;b;1.5;mL/h;;;;;;\n"
        "P1;01.10.2026 10:00:04;T;a;b;4;mL/h;;;;;;\n"
        "P1;01.10.2026 10:00:05;T;a;b;x;mL/h;;;;;;\n"
        "P1;01.10.2026 10:00:06;S;a;b;1e13;mL/h;2;stone;;8;Q;perhaps\n",
    )
    result = read(site)
    assert result.total("rows_ignored") == 1
    assert events(
        site,
        ("channel", "rate_ml_h", "dose_value", "dose_unit", "weight_kg", "care_area", "library_use",
         "library_use_basis", "running_logged"),
    ) == [("a/b", 30.0, 1.25, "ug/kg/min", 70.0, "Harbour ward", "limited", "logged", True)]  # fmt: skip
    assert rows(site, "select source_record, reasons from quarantined order by 1") == [
        (2, ["unknown_unit"]),
        (3, ["no_unit"]),
        (4, ["not_a_number"]),
        (6, ["not_a_number", "expression_failed"]),
        (7, ["unknown_unit", "size_out_of_range"]),
    ]
    # of a lookup file, whose keys may be people's numbers, a commit keeps the digest alone
    row = Ledger.open(site.store).snapshot().row
    assert row is not None
    kept = (site.store / "declarations" / row.declarations[LOOKUP_FILES]).read_text(encoding="utf-8")
    assert re.fullmatch(r"[0-9a-f]{64}  sources/stays\.csv\n", kept)
    assert "sources/stays.csv" not in row.declarations


NESTED = """
pattern = ["*.jsonl"]
shape = "json_lines"
records = ["all"]
[json_lines]
each = "entries"
[time]
zone = "in_text"
[fields]
pump_id = "device.id"
device_time = "item.at"
sequence = "item.seq"
kind = "item.what"
alarm_label = "item.alarm"
[kinds]
ALARM = "alarm_raised"
BEAT = { ignore = "sign of life" }
[alarms]
OCC = { kind = "occlusion", priority = "high", stops_delivery = true }
"""


def test_nested_json_lines(tmp_path: Path) -> None:
    """Each element of the array is an event of the one record; offsets in the text place it."""
    site = make_site(tmp_path, {"nested": NESTED})
    records = [
        {"device": {"id": "P9"}, "entries": [
            {"at": "2026-10-25T01:30:00+01:00", "seq": 1, "what": "ALARM", "alarm": "OCC"},
            {"at": "2026-10-25T01:30:00Z", "seq": 2, "what": "ALARM", "alarm": "HUM"},
            {"at": "2026-10-25T01:31:00Z", "seq": 3, "what": "BEAT"}]},
        {"device": {"id": "P9"}, "entries": []},
        {"device": {"id": "P9"}, "entries": [{"at": "2026-10-25T01:32:00Z", "seq": 4, "what": "BEAT"}]},
        {"device": {"id": "P9"}, "entries": [
            {"at": "2026-10-25T01:30:00", "seq": 5, "what": "ALARM"},
            {"at": "2026-10-25T01:33:00Z", "seq": 6, "what": "ALARM"}]},
    ]  # fmt: skip
    drop(site, "a.jsonl", "\n".join(json.dumps(r) for r in records) + "\n{bad\n[1]\n")
    result = read(site)
    counts = [result.total(n) for n in ("rows_read", "events_kept", "quarantined", "rows_ignored", "events")]
    assert counts == [6, 1, 4, 1, 2]
    assert sorted(
        events(site, ("sequence", "record_place", "cast(occurred_at as varchar)", "alarm_kind", "unmapped"))  # type: ignore[type-var]
    ) == [
        (1, 0, "2026-10-25 00:30:00+00", "occlusion", []),
        (2, 0, "2026-10-25 01:30:00+00", "other", ["alarm"]),
    ]
    assert rows(site, "select source_record, reasons from quarantined order by 1") == [
        (2, ["no_event"]), (4, ["time_without_zone"]), (5, ["not_json"]), (6, ["not_an_object"]),
    ]  # fmt: skip


NESTED_ARRAY = NESTED.replace("*.jsonl", "*.json").replace("json_lines", "json_array")


@pytest.mark.parametrize("path", [pytest.param("", marks=LONG), "made.fleet"])
def test_elements_in_the_records_of_a_json_document(tmp_path: Path, path: str) -> None:
    """An object a pump with a list of its events: each element is an event of the one record."""
    columns = ("pump_id", "sequence", "record_place", "cast(occurred_at as varchar)", "alarm_kind", "kind")
    records = [
        {"device": {"id": f"P{pump}"}, "entries": [
            {"at": f"2026-10-25T0{n}:30:00Z", "seq": n, "what": "ALARM", "alarm": ("OCC", "HUM")[n % 2]}
            for n in range(1, 4)]}
        for pump in range(1, 4)
    ] + [{"device": {"id": "P9"}, "entries": []}]  # fmt: skip
    lines = make_site(tmp_path / "lines", {"nested": NESTED})
    drop(lines, "a.jsonl", "\n".join(json.dumps(record) for record in records))
    read(lines)
    mapping = NESTED_ARRAY.replace("[time]", f'path = "{path}"\n[time]')
    site = make_site(tmp_path / "array", {"nested": mapping})
    document = {"made": {"fleet": records}} if path else records
    drop(site, "a.json", json.dumps(document, indent=1))
    result = read(site)
    counts = [result.total(n) for n in ("rows_read", "events_kept", "quarantined", "events")]
    assert counts == [4, 3, 1, 9]
    assert sorted(events(site, columns)) == sorted(events(lines, columns))  # type: ignore[type-var]
    assert rows(site, "select source_record, reasons from quarantined") == [(4, ["no_event"])]


@pytest.mark.parametrize("shape", ["json_lines", pytest.param("json_array", marks=LONG)])
def test_a_list_that_begins_later_counts_no_event_again(tmp_path: Path, shape: str) -> None:
    """A pump's list is a window over its log: without numbers, too, its place in there says nothing."""
    mapping = (NESTED if shape == "json_lines" else NESTED_ARRAY).replace('sequence = "item.seq"', "")
    site = make_site(tmp_path, {"nested": mapping + '[fields.weight_kg]\nfield = "item.kg"\n'})

    def export(name: str, *elements: dict[str, object]) -> IngestResult:
        record = {"device": {"id": "P1"}, "entries": elements}
        lines = shape == "json_lines"
        drop(site, f"{name}.{'jsonl' if lines else 'json'}", json.dumps(record if lines else [record]))
        return read(site)

    log: list[dict[str, object]] = [
        {"at": f"2026-10-25T0{n}:30:00Z", "what": "ALARM", "alarm": "OCC"} for n in range(6)
    ]
    # twice in one second, and twice with another value: four events
    log[3:3] = [{"at": "2026-10-25T02:40:00Z", "what": "ALARM", "alarm": "HUM"}] * 2
    log[3:3] = [{"at": "2026-10-25T02:35:00Z", "what": "ALARM", "kg": kg} for kg in (70, 71)]
    assert export("a", *log[:7]).total("events") == 7
    assert export("b", *log[1:9]).total("events") == 2
    assert export("c", *log[3:]).total("events") == 1
    last = export("d", *log[2:8])
    assert (last.total("events"), last.total("duplicates"), last.total("quarantined")) == (0, 1, 0)
    assert len(events(site)) == len({row[0] for row in events(site, ("event_id",))}) == len(log) == 10


def test_canonical_source(tmp_path: Path) -> None:
    mapping = 'pattern = ["*.csv"]\nshape = "delimited"\ncanonical = true\nrecords = ["all"]\n'
    mapping += '[time]\nzone = "UTC"\n'
    site = make_site(tmp_path, {"plain": mapping})
    drop(
        site,
        "plain.csv",
        "pump_id,channel,device_time,kind,rate_ml_h,library_use,software_version,unknown\n"
        "P1,A,2026-10-01T10:00:00,infusion_started,5,limited,p1,?\n",
    )
    read(site)
    assert events(site, ("kind", "channel", "rate_ml_h", "library_use", "software_version")) == [
        ("infusion_started", "A", 5.0, "limited", "p1")
    ]


def test_identical_records_without_number_are_told_apart(tmp_path: Path) -> None:
    """With neither sequence nor record_id, identical records of one file count; a re-export adds none."""
    site = make_site(tmp_path, {"wards": WARDS.replace('sequence = "Seq"', "")})
    twice = "P1,2026-10-01 10:00:00,1,RATE,ICU,Heparin,5,70\n"
    drop(site, "wards1.csv", HEADER + twice + twice)
    assert read(site).total("events") == 2
    drop(site, "wards2.csv", HEADER + twice.replace(",1,", ",8,") * 2)
    assert read(site).total("duplicates") == 2


def test_service_and_pumps_lists(tmp_path: Path) -> None:
    site = make_site(
        tmp_path,
        service="pump,from,to,context\nP1,2026-10-01 10:00,2026-10-01 10:01,maintenance\n",
        pumps="pump,model,type\nP1,Tern 2,syringe\n",
    )
    drop(site, "wards.csv", ONE + "P1,2026-10-01 10:01:00,2,STOP,,,,\n")
    read(site)
    assert rows(site, "select sequence, use_context, pump_model, pump_type from events order by 1") == [
        (1, "maintenance", "Tern 2", "syringe"),
        (2, None, "Tern 2", "syringe"),
    ]


def test_the_engine_is_held_to_less_while_rows_are_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows that wait for their row groups need room of their own, the more the more months a file has."""
    held: dict[str, float] = {}
    # the package's own name `ingest` is the function
    ingesting = import_module("dripledger.events.ingest")

    def noted(step: str, con: duckdb.DuckDBPyConnection) -> None:
        told = str(con.execute("select current_setting('memory_limit')").fetchall()[0][0])
        number, unit = told.split()
        held[step] = float(number) * {"MiB": 1, "GiB": 1024}[unit]

    real_reader, real_check, real_build = ingesting.events_reader, Account.add, running.build_derived

    def reader(con: duckdb.DuckDBPyConnection, *rest: Any) -> pa.RecordBatchReader:
        noted("write", con)
        return real_reader(con, *rest)

    def add(self: Account, *rest: Any) -> None:
        noted("check", self.con)
        real_check(self, *rest)

    def build(run: running.Run, *rest: Any) -> None:
        noted("build", run.con)
        real_build(run, *rest)

    monkeypatch.setattr(ingesting, "events_reader", reader)
    monkeypatch.setattr(Account, "add", add)
    monkeypatch.setattr(running, "build_derived", build)
    site = make_site(tmp_path)
    drop(site, "wards.csv", ONE)
    assert ingest(load_site(site.root)).total("events") == 1
    assert held["write"] < held["check"] < held["build"] < 1536
