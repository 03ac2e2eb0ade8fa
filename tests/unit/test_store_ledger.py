"""The ledger on disk: round trips, versions, reads as of a version or a date, and what is refused."""

from __future__ import annotations

import datetime as dt
import json
import stat
from pathlib import Path
from zoneinfo import ZoneInfo

import pyarrow as pa
import pytest
from tests.store_samples import CLOCK, INSTANT, commit_events, count, fetch, record, rows

from dripledger.engine import connect
from dripledger.errors import ConfigurationError, StoreFormatError, UsageError
from dripledger.schema import TABLES
from dripledger.store import Ledger, upgrade

PARIS = ZoneInfo("Europe/Paris")


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "store"


def test_every_type_of_every_table_comes_back_as_it_went_in(root: Path) -> None:
    ledger = Ledger.create(root)
    with ledger.write() as writer:
        for name in TABLES:
            writer.append(name, rows(name, [1, 2]))
        writer.commit(ingest_id="i", declarations=[])
    con = connect()
    ledger.snapshot().attach(con)
    for name, table in TABLES.items():
        found = con.sql(f'select * from "{name}" order by "{table.names[0]}"').to_arrow_table()
        assert found.to_pylist() == [record(table, 1), record(table, 2)], name
        described = con.execute(f'describe select * from "{name}"').fetchall()
        assert [(row[0], row[1]) for row in described] == [(c.name, c.type.duckdb) for c in table.columns]


def test_nulls_and_empty_lists_stay_what_they_are(root: Path) -> None:
    columns = {c.name: None for c in TABLES["events"].columns if c.nullable}
    ledger = Ledger.create(root)
    with ledger.write() as writer:
        writer.append("events", rows("events", [1], **{**columns, "unmapped": [], "implausible": []}))
        writer.commit(ingest_id=None, declarations=[])
    found = fetch(ledger.snapshot(), "select rate_ml_h, care_area, received_at, unmapped from events")
    assert found == [(None, None, None, [])]


def test_microseconds_survive(root: Path) -> None:
    commit_events(root, [0])
    found = fetch(
        Ledger.open(root).snapshot(), "select epoch_us(occurred_at), device_time, month from events"
    )
    assert found == [(round(INSTANT.timestamp()) * 1_000_000 + INSTANT.microsecond, CLOCK, "2026-10")]


def test_an_empty_store_gives_typed_empty_tables(root: Path) -> None:
    snapshot = Ledger.create(root).snapshot()
    assert (snapshot.version, snapshot.committed_at, snapshot.row) == (0, None, None)
    con = connect()
    snapshot.attach(con)
    for name, table in TABLES.items():
        assert con.execute(f'select count(*) from "{name}"').fetchall() == [(0,)]
        described = con.execute(f'describe "{name}"').fetchall()
        assert [(row[0], row[1]) for row in described] == [(c.name, c.type.duckdb) for c in table.columns]
    assert con.execute("select count(*) from commits").fetchall() == [(0,)]
    assert snapshot.files("events") == []
    assert snapshot.partitions("events") == []


def test_columns_in_another_order_with_some_missing_and_from_a_reader(root: Path) -> None:
    table = rows("libraries", [1]).select(["soft_high", "entry", "library_version", "care_area"])
    table = table.append_column("limit_quantity", pa.array(["dose_rate"]).dictionary_encode())
    required = {c.name for c in TABLES["libraries"].columns if not c.nullable} - set(table.column_names)
    for name in sorted(required):
        table = table.append_column(name, rows("libraries", [1])[name])
    ledger = Ledger.create(root)
    with ledger.write() as writer:
        writer.append("libraries", table.to_reader())
        writer.commit(ingest_id=None, declarations=[])
    assert fetch(ledger.snapshot(), "select soft_high, limit_quantity, hard_low from libraries") == [
        (1.1, "dose_rate", None)
    ]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.append_column("nonsense", pa.array([1])), "no column nonsense"),
        (lambda t: t.drop_columns(["event_id"]), "event_id may not be null"),
        (
            lambda t: t.set_column(
                t.column_names.index("occurred_at"), "occurred_at", pa.array([CLOCK], pa.timestamp("us"))
            ),
            "occurred_at",
        ),
        (
            lambda t: t.set_column(t.column_names.index("month"), "month", pa.array(["../x"])),
            "no month",
        ),
    ],
)
def test_data_that_does_not_fit_is_refused_and_nothing_is_written(root: Path, change, message) -> None:
    ledger = Ledger.create(root)
    with ledger.write() as writer, pytest.raises(ValueError, match=message):
        writer.append("events", change(rows("events", [1])))
    assert ledger.snapshot().version == 0
    assert not list((root / "events").rglob("part-*"))


def test_versions_stay_readable_after_appending_and_replacing(root: Path) -> None:
    ledger = Ledger.create(root)
    with ledger.write() as writer:
        writer.append("segments", rows("segments", [1], month="2026-09"))
        writer.append("segments", rows("segments", [2], month="2026-10"))
        assert writer.commit(ingest_id=None, declarations=[]) == 1
    with ledger.write() as writer:
        assert (writer.base.version, writer.version) == (1, 2)
        writer.replace("segments", ["2026-10", "2026-11"], rows("segments", [3, 4], month="2026-11"))
        writer.commit(ingest_id=None, declarations=[])
    with ledger.write() as writer:
        writer.replace("segments", ["2026-11"], rows("segments", []))
        writer.commit(ingest_id=None, declarations=[])
    with ledger.write() as writer:
        writer.replace("segments", None, rows("segments", [5], month="2027-01"))
        writer.commit(ingest_id=None, declarations=[])
    assert [ledger.snapshot(str(v)).partitions("segments") for v in (1, 2, 3, 4)] == [
        ["2026-09", "2026-10"],
        ["2026-09", "2026-11"],
        ["2026-09"],
        ["2027-01"],
    ]
    assert [count(ledger.snapshot(str(v)), "segments") for v in (0, 1, 2, 3, 4)] == [0, 2, 3, 1, 1]
    assert [count(ledger.snapshot(str(v)), "commits") for v in (0, 1, 4)] == [0, 1, 4]


def test_replacing_with_rows_of_another_partition_is_refused(root: Path) -> None:
    with Ledger.create(root).write() as writer, pytest.raises(ValueError, match="not being replaced"):
        writer.replace("segments", ["2026-09"], rows("segments", [1], month="2026-10"))
    with Ledger.open(root).write() as writer, pytest.raises(ValueError, match="has no partitions"):
        writer.replace("libraries", ["2026-09"], rows("libraries", [1]))


def test_replacing_no_partition_changes_nothing(root: Path) -> None:
    commit_events(root, [1])
    with Ledger.open(root).write() as writer:
        writer.replace("events", [], rows("events", []))
        writer.commit(ingest_id=None, declarations=[])
    assert count(Ledger.open(root).snapshot()) == 1


def test_the_writer_sees_what_it_wrote_before_it_commits(root: Path) -> None:
    ledger = Ledger.create(root)
    with ledger.write() as writer:
        writer.append("events", rows("events", [1, 2]))
        assert count(writer.current()) == 2
        assert count(ledger.snapshot()) == 0


def test_a_commit_writes_down_what_it_did(root: Path) -> None:
    site = root.parent
    (site / "site.toml").write_text("facility = 'a'\n")
    (site / "sources").mkdir()
    (site / "sources" / "wards.toml").write_text("x = 1\n")
    at = dt.datetime(2026, 11, 1, 12, 0, 0, 5, tzinfo=dt.UTC)
    ledger = Ledger.create(root)
    with ledger.write(at=at) as writer:
        assert writer.committed_at == at
        writer.append("events", rows("events", [1]))
        writer.commit(
            ingest_id="i7", declarations=[site / "site.toml", site / "sources" / "wards.toml"], note="first"
        )
    row = ledger.snapshot().row
    assert row is not None
    assert (row.version, row.ingest_id, row.note, row.committed_at) == (1, "i7", "first", at)
    assert sorted(row.table_versions) == sorted(TABLES)
    assert list(row.files) == [str(Path(p).relative_to(root)) for p in ledger.snapshot().files("events")]
    assert sorted(row.declarations) == ["site.toml", "sources/wards.toml"]
    kept = root / "declarations" / row.declarations["site.toml"]
    assert kept.read_text() == "facility = 'a'\n"
    shown = fetch(ledger.snapshot(), "select version, declarations_json, table_versions_json from commits")
    assert json.loads(shown[0][1]) == dict(row.declarations)
    assert json.loads(shown[0][2]) == dict(row.table_versions)


def test_the_same_declarations_have_the_same_digest(root: Path) -> None:
    file = root.parent / "site.toml"
    ledger = Ledger.create(root)
    digests = []
    for text in ("a", "a", "b"):
        file.write_text(text)
        with ledger.write() as writer:
            writer.commit(ingest_id=None, declarations=[file])
        row = ledger.snapshot().row
        assert row is not None
        digests.append(row.declarations_sha256)
    assert digests[0] == digests[1] != digests[2]
    assert len(list((root / "declarations").iterdir())) == 2


def test_a_writer_commits_once(root: Path) -> None:
    with Ledger.create(root).write() as writer:
        writer.commit(ingest_id=None, declarations=[])
        with pytest.raises(RuntimeError):
            writer.commit(ingest_id=None, declarations=[])
        with pytest.raises(RuntimeError):
            writer.append("events", rows("events", [1]))


def test_as_of_a_date_takes_the_last_commit_of_that_local_day(root: Path) -> None:
    # 23:30 and 00:30 in Paris (winter, UTC+1) fall on two local days and one UTC day
    commit_events(root, [1], at=dt.datetime(2026, 11, 3, 22, 30, tzinfo=dt.UTC))
    commit_events(root, [2], at=dt.datetime(2026, 11, 3, 22, 59, 59, 999999, tzinfo=dt.UTC))
    commit_events(root, [3], at=dt.datetime(2026, 11, 3, 23, 0, tzinfo=dt.UTC))
    ledger = Ledger.open(root)
    assert ledger.snapshot("2026-11-03", PARIS).version == 2
    assert ledger.snapshot("2026-11-04", PARIS).version == 3
    assert ledger.snapshot("2026-11-03").version == 3
    assert ledger.snapshot("2030-01-01", PARIS).version == 3
    assert ledger.snapshot("9999-12-31", PARIS).version == 3
    assert ledger.snapshot().version == 3
    assert count(ledger.snapshot("2026-11-03", PARIS)) == 2


def test_as_of_the_short_and_the_long_day(root: Path) -> None:
    # 2026-10-25 has 25 hours in Paris: it ends at 23:00 UTC
    commit_events(root, [1], at=dt.datetime(2026, 10, 25, 22, 59, tzinfo=dt.UTC))
    commit_events(root, [2], at=dt.datetime(2026, 10, 25, 23, 0, tzinfo=dt.UTC))
    assert Ledger.open(root).snapshot("2026-10-25", PARIS).version == 1


@pytest.mark.parametrize(
    ("as_of", "message"),
    [
        ("2026-11-02", r"no version by the end of 2026-11-02: the first commit is of 2026-11-03 23:30"),
        ("4", "no version 4: its newest is 1"),
        ("yesterday", "neither a store version nor a date"),
        ("-1", "neither"),
        ("2026-02-30", "neither"),
        ("", "neither"),
    ],
)
def test_as_of_what_is_not_there_is_refused(root: Path, as_of: str, message: str) -> None:
    commit_events(root, [1], at=dt.datetime(2026, 11, 3, 22, 30, tzinfo=dt.UTC))
    with pytest.raises(UsageError, match=message):
        Ledger.open(root).snapshot(as_of, PARIS)


def test_as_of_in_a_store_with_no_commit(root: Path) -> None:
    ledger = Ledger.create(root)
    for as_of in ("1", "2026-11-02"):
        with pytest.raises(UsageError, match="nothing has been committed yet"):
            ledger.snapshot(as_of)


def test_a_newer_format_is_refused_by_both_numbers(root: Path) -> None:
    Ledger.create(root)
    (root / "format.json").write_text('{"format": 7}')
    for attempt in (Ledger.open, Ledger.open_or_create, upgrade):
        with pytest.raises(StoreFormatError, match=r"format 7.*formats up to 1"):
            attempt(root)


@pytest.mark.parametrize("text", ["", "{}", '{"format": "x"}', '{"format": true}', "[1]"])
def test_a_format_file_that_says_nothing_is_refused(root: Path, text: str) -> None:
    Ledger.create(root)
    (root / "format.json").write_text(text)
    with pytest.raises(StoreFormatError, match="holds no format number"):
        Ledger.open(root)


def test_no_store_is_said_so(root: Path) -> None:
    assert not Ledger.exists(root)
    for attempt in (Ledger.open, upgrade):
        with pytest.raises(StoreFormatError, match="no store here yet"):
            attempt(root)
    Ledger.create(root)
    assert Ledger.exists(root)
    with pytest.raises(StoreFormatError, match="already"):
        Ledger.create(root)
    assert upgrade(root) == "The store has format 1 already; there is nothing to do."


def test_a_lost_format_file_is_not_made_anew(root: Path) -> None:
    commit_events(root, [1])
    (root / "format.json").unlink()
    with pytest.raises(StoreFormatError):
        Ledger.open_or_create(root)
    assert not (root / "format.json").exists()


def test_a_store_half_made_is_finished(root: Path) -> None:
    Ledger.create(root)
    (root / "format.json").unlink()
    assert commit_events(root, [1]) == 1


def test_a_table_declared_later_appears_empty_in_old_versions_and_can_be_written(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    late = TABLES["libraries"]
    monkeypatch.delitem(TABLES, "libraries")
    commit_events(root, [1])
    assert not (root / "libraries").exists()
    monkeypatch.setitem(TABLES, "libraries", late)
    ledger = Ledger.open(root)
    assert count(ledger.snapshot(), "libraries") == 0
    with ledger.write() as writer:
        writer.append("libraries", rows("libraries", [1]))
        writer.commit(ingest_id=None, declarations=[])
    assert [count(ledger.snapshot(v), "libraries") for v in ("1", "2")] == [0, 1]


def test_a_column_declared_later_is_null_in_old_rows(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    full = TABLES["libraries"]
    short = type(full)(
        full.name, full.grain, tuple(c for c in full.columns if c.name != "soft_high"), full.key
    )
    monkeypatch.setitem(TABLES, "libraries", short)
    ledger = Ledger.create(root)
    for number in (1, 2):
        with ledger.write() as writer:
            writer.append("libraries", rows("libraries", [number]))
            writer.commit(ingest_id=None, declarations=[])
        monkeypatch.setitem(TABLES, "libraries", full)
    monkeypatch.setattr("dripledger.store.snapshot.ALL_TABLES", {"libraries": full})
    assert fetch(ledger.snapshot("1"), "select soft_high from libraries") == [(None,)]
    found = fetch(ledger.snapshot(), "select soft_high from libraries order by entry")
    assert found == [(None,), (2.1,)]


@pytest.mark.parametrize(
    "folder", ["with space", "ünï 50% #1", "a'b\"c", "{x,y}", "(2)", "a=b", "site&co;+@~", "emoji 😀"]
)
def test_odd_folder_names(tmp_path: Path, folder: str) -> None:
    root = tmp_path / folder / "store"
    commit_events(root, [1], month="2026-10")
    commit_events(root, [2], month="2026-11")
    ledger = Ledger.open(root)
    assert [Path(path).exists() for path in ledger.snapshot().files("events")] == [True, True]
    assert fetch(ledger.snapshot(), "select month from events order by month") == [("2026-10",), ("2026-11",)]
    assert count(ledger.snapshot("1")) == 1


@pytest.mark.parametrize("folder", ["a%20b", "[1]", "a|b", "a\\b", "a*", "a?", "new\nline", "month=1999-01"])
def test_folder_names_that_cannot_hold_a_store_are_refused(tmp_path: Path, folder: str) -> None:
    with pytest.raises(ConfigurationError, match="Rename or move"):
        Ledger.open_or_create(tmp_path / folder / "store")
    assert not (tmp_path / folder).exists()


def test_a_relative_path_and_a_link_lead_to_the_same_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    commit_events(tmp_path / "store", [1])
    (tmp_path / "link").symlink_to(tmp_path / "store")
    monkeypatch.chdir(tmp_path)
    assert commit_events(Path("store"), [2]) == 2
    assert count(Ledger.open(tmp_path / "link").snapshot()) == 2


def test_everything_is_for_the_owner_only(root: Path) -> None:
    declaration = root.parent / "site.toml"
    declaration.write_text("x")
    declaration.chmod(0o644)
    ledger = Ledger.create(root)
    for number in range(12):
        with ledger.write() as writer:
            writer.append("events", rows("events", [number]))
            writer.commit(ingest_id=None, declarations=[declaration])
    seen = [root, *root.rglob("*")]
    assert len(seen) > 50
    for path in seen:
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path


@pytest.mark.slow
@pytest.mark.merge
def test_many_versions_stay_quick_to_read_and_whole(root: Path) -> None:
    ledger = Ledger.create(root)
    for number in range(52):
        with ledger.write(at=INSTANT + dt.timedelta(days=number)) as writer:
            writer.append("events", rows("events", [number]))
            writer.commit(ingest_id=f"i{number}", declarations=[])
    newest = ledger.snapshot()
    # without putting small files together there would be 52 of each
    assert len(newest.files("events")) <= 13
    assert len(newest.files("commits")) <= 25
    assert fetch(newest, "select count(*), count(distinct event_id) from events") == [(52, 52)]
    assert fetch(newest, "select count(*), min(version), max(version) from commits") == [(52, 1, 52)]
    for version in (1, 24, 25, 26, 49, 50, 51):
        snapshot = ledger.snapshot(str(version))
        assert count(snapshot) == version
        assert snapshot.row is not None
        assert snapshot.row.ingest_id == f"i{version - 1}"
    one = fetch(newest, "select * from events order by sequence limit 1")
    assert one == [tuple(record(TABLES["events"], 0).values())]


def test_a_prefix_and_a_choice_of_tables(root: Path) -> None:
    commit_events(root, [1])
    con = connect()
    Ledger.open(root).snapshot().attach(con, ["events"], prefix="old_")
    assert con.execute("show tables").fetchall() == [("old_events",)]
    assert con.execute("select count(*) from old_events").fetchall() == [(1,)]
