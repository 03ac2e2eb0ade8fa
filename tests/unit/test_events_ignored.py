"""Ruling 22: a number is seen when any record carries it, so ignored records keep theirs."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest
from tests.event_samples import HEADER, WARDS, drop, events, make_site, read, rows

from dripledger.events import balance, ingest, retry
from dripledger.events import run as running
from dripledger.site import Site, load_site
from dripledger.store import Ledger, verify_store

START = "P1,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"
BEATS = "P1,2026-10-01 10:01:00,2,BEAT,,,,\nP1,2026-10-01 10:02:00,3,BEAT,,,,\n"
STOP = "P1,2026-10-01 10:03:00,4,STOP,,,,\n"
REASON = "sign of life, carries no event"


def ignored(
    site: Site, columns: str = "pump_id, sequence, device_time::varchar, reason"
) -> list[tuple[object, ...]]:
    return rows(site, f"select {columns} from ignored order by source_name, pump_id, sequence, device_time")


def sound(site: Site) -> bool:
    snapshot = Ledger.open(site.store).snapshot()
    return balance(snapshot).balanced and not [f for f in verify_store(site.store) if f.level == "error"]


def test_ignored_record_keeps_its_number(tmp_path: Path) -> None:
    site = make_site(tmp_path, clocks="pump,from,offset_s\nP1,,60\n")
    drop(site, "wards.csv", HEADER + START + BEATS + STOP)
    result = read(site)
    assert (result.total("rows_ignored"), result.total("events")) == (2, 2)
    sha = result.files[0].sha256
    # October in Lisbon is an hour ahead of UTC, and this clock a minute ahead of that
    assert ignored(
        site,
        "source_file_sha256, source_name, source_record, ingest_id, facility, pump_id, sequence, "
        "sequence_reliable, device_time::varchar, occurred_at::varchar, reason, month",
    ) == [
        (sha, "wards", 2, result.ingest_id, "Harbour Hill", "P1", 2, True, "2026-10-01 10:01:00",
         "2026-10-01 09:00:00+00", REASON, "2026-10"),
        (sha, "wards", 3, result.ingest_id, "Harbour Hill", "P1", 3, True, "2026-10-01 10:02:00",
         "2026-10-01 09:01:00+00", REASON, "2026-10"),
    ]  # fmt: skip
    assert sound(site)


def test_no_row_where_pump_number_or_time_cannot_be_read(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(
        site,
        "wards.csv",
        HEADER
        + START
        + ",2026-10-01 10:01:00,2,BEAT,,,,\nP1,noon,3,BEAT,,,,\nP1,2026-10-01 10:02:00,,BEAT,,,,\n"
        "P1,2026-10-01 10:02:00,x,BEAT,,,,\nP1,1066-10-01 10:02:00,7,BEAT,,,,\n",
    )
    assert read(site).total("rows_ignored") == 5
    assert ignored(site) == []


def test_nothing_is_written_where_no_ignored_record_has_a_number(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + START + "P1,2026-10-01 10:02:00,,BEAT,,,,\n")
    read(site)
    assert Ledger.open(site.store).snapshot().files("ignored") == []


def test_overlapping_exports_do_not_multiply(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards1.csv", HEADER + START + BEATS + BEATS)
    drop(site, "wards2.csv", HEADER + BEATS + STOP)
    read(site)
    assert [row[1] for row in ignored(site)] == [2, 3]
    drop(site, "wards3.csv", HEADER + BEATS + "P1,2026-10-01 10:04:00,5,BEAT,,,,\n")
    assert read(site).total("rows_ignored") == 3
    assert [row[1] for row in ignored(site)] == [2, 3, 5]
    assert sound(site)


def test_repeated_and_skipped_hours_take_the_earlier_instant(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(
        site,
        "wards.csv",
        HEADER + "P1,2026-10-25 01:30:00,1,BEAT,,,,\nP1,2026-03-29 01:30:00,2,BEAT,,,,\n",
    )
    read(site)
    assert ignored(site, "occurred_at::varchar") == [
        ("2026-10-25 00:30:00+00",),
        ("2026-03-29 01:30:00+00",),
    ]


def test_mended_rule_and_clock_reach_ignored_records(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards1.csv", HEADER + START + BEATS)
    drop(site, "wards2.csv", HEADER + BEATS)
    first = read(site)
    make_site(tmp_path, {"wards": WARDS.replace(REASON, "heartbeat")}, clocks="pump,from,offset_s\nP1,,60\n")
    read(site)
    assert ignored(site, "sequence, reason, occurred_at::varchar, ingest_id, source_file_sha256") == [
        (2, "heartbeat", "2026-10-01 09:00:00+00", first.ingest_id, first.files[0].sha256),
        (3, "heartbeat", "2026-10-01 09:01:00+00", first.ingest_id, first.files[0].sha256),
    ]
    assert sound(site)


def test_number_declared_later_is_found_in_files_that_gave_no_event(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": WARDS.replace('sequence = "Seq"\n', "")})
    drop(site, "wards.csv", HEADER + BEATS)
    read(site)
    assert ignored(site) == []
    make_site(tmp_path)
    read(site)
    assert [row[1] for row in ignored(site)] == [2, 3]
    assert sound(site)


def test_numbers_stay_seen_when_a_rule_begins_or_ends_to_ignore(tmp_path: Path) -> None:
    """What was accounted for stays accounted for: the number is in one of the tables all the while."""
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + START + BEATS + STOP)
    read(site)
    numbers = "select sequence from events union select sequence from ignored order by 1"
    make_site(
        tmp_path, {"wards": WARDS.replace('STOP = "infusion_stopped"', 'STOP = { ignore = "left out" }')}
    )
    read(site)
    assert [row[1] for row in ignored(site)] == [2, 3, 4]
    assert rows(site, numbers) == [(1,), (2,), (3,), (4,)]
    make_site(tmp_path, {"wards": WARDS.replace(f'BEAT = {{ ignore = "{REASON}" }}', 'BEAT = "key_pressed"')})
    read(site)
    assert rows(site, numbers) == [(1,), (2,), (3,), (4,)]
    drop(site, "wards2.csv", HEADER + BEATS)
    read(site)
    assert sorted(events(site, ("sequence",))) == [(1,), (2,), (3,), (4,)]
    assert sound(site)


def test_waiting_record_that_a_rule_ignores_now_keeps_its_number(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", HEADER + START + "P1,2026-10-01 10:01:00,2,TEST,,,much,\n" + BEATS[-34:])
    assert read(site).total("quarantined") == 1
    make_site(tmp_path, {"wards": WARDS + 'TEST = { ignore = "self-test" }\n'})
    result = retry(load_site(tmp_path), build=False)
    assert result.total("rows_ignored") == 1
    assert [(row[1], row[3]) for row in ignored(site)] == [(2, "self-test"), (3, REASON)]
    assert retry(load_site(tmp_path), build=False).ingest_id is None
    assert sound(site)


def test_element_that_is_ignored_beside_an_event(tmp_path: Path) -> None:
    mapping = """
pattern = ["*.jsonl"]
shape = "json_lines"
records = ["all"]
sequence_reliable = true
[json_lines]
each = "entries"
[time]
zone = "UTC"
[fields]
pump_id = "device"
device_time = "time"
sequence = "number"
kind = "item.kind"
[kinds]
START = "infusion_started"
BEAT = { ignore = "sign of life" }
"""
    line = '{{"device": "P1", "time": "2026-10-01T10:0{0}:00", "number": {0}, "entries": [{1}]}}\n'
    beat, start = '{"kind": "BEAT"}', '{"kind": "START"}'
    site = make_site(tmp_path, {"hub": mapping})
    drop(site, "hub.jsonl", line.format(1, f"{beat}, {start}") + line.format(2, f"{beat}, {beat}"))
    result = read(site)
    assert (result.total("events_kept"), result.total("rows_ignored")) == (1, 1)
    assert ignored(site, "sequence, source_record") == [(2, 2)]
    # where each element has a number of its own, an ignored element's is nowhere else
    own = mapping.replace('"number"', '"item.number"')
    site = make_site(tmp_path / "own", {"hub": own})
    three = ", ".join(f'{{"kind": "{k}", "number": {i}}}' for i, k in enumerate(("BEAT", "START", "BEAT")))
    drop(site, "hub.jsonl", line.format(1, three))
    assert read(site).total("events_kept") == 1
    assert ignored(site, "sequence, source_record") == [(0, 1), (2, 1)]
    make_site(tmp_path / "own", {"hub": own.replace("sign of life", "heartbeat")})
    read(site)
    assert ignored(site, "sequence, reason") == [(0, "heartbeat"), (2, "heartbeat")]
    assert sound(site)


def test_pumps_with_new_ignored_numbers_are_built_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dripledger import infusions

    seen: list[list[tuple[object, ...]]] = []
    real = infusions.update

    def spy(writer, con, settings, touched):  # type: ignore[no-untyped-def]
        pumps = f"select pump_id, first_touched_at::varchar from {touched} order by 1"
        seen.append(con.execute(pumps).fetchall())
        seen.append(con.execute("select pump_id, sequence from ignored order by all").fetchall())
        return real(writer, con, settings, touched)

    monkeypatch.setattr(infusions, "update", spy)
    site = make_site(tmp_path)
    drop(site, "wards1.csv", HEADER + START + STOP)
    ingest(load_site(site.root))
    drop(site, "wards2.csv", HEADER + BEATS + "P2,2026-10-01 11:00:00,1,BEAT,,,,\n")
    ingest(load_site(site.root))
    assert seen[2:] == [
        [("P1", "2026-10-01 09:01:00+00"), ("P2", "2026-10-01 10:00:00+00")],
        [("P1", 2), ("P1", 3), ("P2", 1)],
    ]
    make_site(tmp_path, clocks="pump,from,offset_s\nP2,,60\n")
    ingest(load_site(site.root))
    # one that is another may have stood for what is older
    assert seen[4:] == [[("P2", None)], seen[3]]


@pytest.mark.slow
@pytest.mark.merge
def test_a_file_of_ignored_records_needs_no_more_than_its_months(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are sorted a month at a time, and none is numbered: a million at once would not fit."""
    site = make_site(tmp_path)
    with duckdb.connect() as con:
        con.execute(
            "copy (select 'P' || (i % 40 + 1) as pump, "
            "strftime(timestamp '2025-01-01' + interval 40 second * i, '%Y-%m-%d %H:%M:%S') as at, "
            "i // 40 + 1 as number, 'BEAT' as kind, '' as a, '' as b, '' as c, '' as d "
            f"from range(1000000) as r (i)) to '{site.root / 'inbox' / 'wards.csv'}' (header false)"
        )
    path = site.root / "inbox" / "wards.csv"
    path.write_text(HEADER + path.read_text(encoding="utf-8"), encoding="utf-8")
    monkeypatch.setattr(running, "_WRITING_BYTES", 60_000_000)
    result = ingest(load_site(site.root), build=False)
    assert (result.balanced, result.total("rows_ignored")) == (True, 1_000_000)
