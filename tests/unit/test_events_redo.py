"""Undo: a source read again, or without one file, ends as if it had been so from the start."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.event_samples import HEADER, WARDS, drop, events, make_site, read, rows, waiting
from tests.marks import LONG

from dripledger.errors import ConfigurationError, InputError, UsageError
from dripledger.events import balance, forget, ingest, redo
from dripledger.site import load_site
from dripledger.store import Ledger, verify_store

FIRST = (
    HEADER
    + "P1,2026-10-25 01:30:00,1,START,ICU,Heparin,5,70\n"
    + "P1,2026-10-25 01:50:00,2,BEAT,,,,\n"
    + "P1,2026-10-25 02:20:00,3,RATE,ICU,Heparin,7,70\n"
    + "P1,no time,4,STOP,,,,\n"
    + "P1,2026-10-25 03:30:00,5,STOP,,,,\n"
)
SECOND = (
    HEADER
    + "P1,2026-10-25 02:20:00,3,RATE,ICU,Heparin,9,70\n"  # contradicts what is kept
    + "P1,no time,4,STOP,,,,\n"  # waits already
    + "P1,2026-10-25 03:30:00,5,STOP,,,,\n"  # known
    + "P2,2026-10-26 08:00:00,1,START,Ward 3,Heparin,5,70\n"
)
THIRD = HEADER + "P1,2026-10-25 01:10:00,4,RATE,ICU,Heparin,8,70\nP3,2026-11-01 08:00:00,1,START,ICU,,5,\n"

LEDGER = (
    "select path, source_file_sha256, rows_read, events_kept, duplicates, quarantined, rows_ignored, events, "
    "mapping_sha256 from ingests order by path"
)
IGNORED = "select source_file_sha256, source_record, sequence, reason from ignored order by all"
DERIVED = "select * exclude (month) from infusions order by all"


def hash_of(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def told(root: Path) -> list[object]:
    """Return all that must not depend on what was undone, and check that the store is sound."""
    site = load_site(root)
    assert balance(Ledger.open(site.store).snapshot()).balanced
    assert [f for f in verify_store(site.store) if f.severity == "error"] == []
    return [events(site), waiting(site), *(rows(site, sql) for sql in (IGNORED, DERIVED))]


def read_three(root: Path, mapping: str, skip: str = "", build: bool = False) -> None:
    site = make_site(root, {"wards": mapping, "other": WARDS.replace("wards*", "other*")})
    drop(site, "other.csv", HEADER + "P9,2026-10-25 01:30:00,1,START,ICU,Heparin,5,70\nP9,x,2,STOP,,,,\n")
    for name, text in (("wards1.csv", FIRST), ("wards2.csv", SECOND), ("wards3.csv", THIRD)):
        if name != skip:
            drop(site, name, text)
        # the last one builds what all of them touched
        ingest(load_site(root), build=build and name == "wards3.csv")


@pytest.fixture(scope="module")
def rightly(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., None]:
    """Return what copies a store that has read the three files rightly; it is made once."""
    made: dict[bool, Path] = {}

    def copied(root: Path, build: bool = False) -> None:
        if build not in made:
            made[build] = tmp_path_factory.mktemp("rightly")
            read_three(made[build], WARDS, build=build)
        shutil.copytree(made[build], root, dirs_exist_ok=True)

    return copied


def test_unchanged_mapping_changes_nothing_and_commits_nothing(
    tmp_path: Path, rightly: Callable[..., None]
) -> None:
    rightly(tmp_path)
    site = load_site(tmp_path)
    before, version = told(tmp_path), Ledger.open(site.store).snapshot().version
    result = redo(site, "wards", build=False)
    assert (result.ingest_id, result.store_version, result.rederived) == (None, version, 0)
    assert result.balanced
    assert (result.total("rows_read"), result.total("quarantined")) == (11, 2)
    assert told(tmp_path) == before


WRONG = {
    "unit": WARDS.replace('unit = "mL/h"', 'unit = "mL/min"'),
    "column": WARDS.replace('pump_id = "Device"', 'pump_id = "Drug"'),
    "zone": WARDS.replace('zone = "site"', 'zone = "Asia/Tokyo"'),
    "format": WARDS.replace('zone = "site"', 'zone = "site"\nformat = "%Y-%d-%m %H:%M:%S"'),
    "label": WARDS.replace('STOP = "infusion_stopped"', 'STOP = { ignore = "left out" }'),
}


@pytest.mark.parametrize(
    "wrong",
    [
        pytest.param("unit", marks=pytest.mark.slow),
        pytest.param("column", marks=LONG),
        pytest.param("zone", marks=LONG),
        pytest.param("format", marks=pytest.mark.slow),
        "label",
    ],
)
def test_read_wrongly_and_again_equals_read_rightly(
    tmp_path: Path, rightly: Callable[..., None], wrong: str
) -> None:
    build = wrong == "unit"
    read_three(tmp_path / "undone", WRONG[wrong], build=build)
    rightly(tmp_path / "right", build)
    root = tmp_path / "undone"
    made = load_site(root)
    before = rows(made, "select event_id, kind, occurred_at, rate_ml_h from events order by all")
    version = Ledger.open(made.store).snapshot().version
    make_site(root, {"wards": WARDS, "other": WARDS.replace("wards*", "other*")})
    result = redo(load_site(root), "wards", build=build)
    assert result.rederived > 0
    assert result.store_version == version + 1
    assert told(root) == told(tmp_path / "right")
    assert rows(load_site(root), LEDGER) == rows(load_site(tmp_path / "right"), LEDGER)
    # the version before is as it was
    import duckdb

    con = duckdb.connect()
    con.execute("set TimeZone = 'UTC'")
    Ledger.open(made.store).snapshot(str(version)).attach(con)
    old = con.execute("select event_id, kind, occurred_at, rate_ml_h from events order by all").fetchall()
    con.close()
    assert old == before
    assert redo(load_site(root), "wards", build=False).ingest_id is None


def test_records_are_counted_anew_when_they_are_split_another_way(tmp_path: Path) -> None:
    text = HEADER + 'P1,2026-10-01 08:00:00,1,START,ICU,"Hep\narin",5,70\nP1,2026-10-01 09:00:00,2,STOP,,,,\n'
    wrong = WARDS + '[delimited]\nquote = "~"\n'
    for name, mapping in (("undone", wrong), ("right", WARDS)):
        site = make_site(tmp_path / name, {"wards": mapping})
        drop(site, "wards.csv", text)
        read(site)
    assert rows(load_site(tmp_path / "undone"), "select rows_read, quarantined from ingests") == [(3, 2)]
    make_site(tmp_path / "undone")
    redo(load_site(tmp_path / "undone"), "wards", build=False)
    assert rows(load_site(tmp_path / "undone"), "select rows_read, quarantined from ingests") == [(2, 0)]
    assert told(tmp_path / "undone") == told(tmp_path / "right")
    indexes = [sorted((tmp_path / n / "originals").glob("*.json")) for n in ("undone", "right")]
    assert [p.read_bytes() for p in indexes[0]] == [p.read_bytes() for p in indexes[1]]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        pytest.param("wards1.csv", FIRST, marks=LONG),
        ("wards2.csv", SECOND),
        pytest.param("wards3.csv", THIRD, marks=pytest.mark.slow),
    ],
)
def test_forgotten_equals_never_read_and_stays_out(
    tmp_path: Path, rightly: Callable[..., None], name: str, text: str
) -> None:
    build = name == "wards1.csv"
    rightly(tmp_path / "undone", build)
    read_three(tmp_path / "never", WARDS, skip=name, build=build)
    root = tmp_path / "undone"
    site, sha = load_site(root), hash_of(text)
    result = forget(site, sha[:10].upper(), build=build)
    file = next(f for f in result.files if f.path == name)
    assert file.forgotten
    assert (file.rows_read, file.rows_ignored) == (text.count("\n") - 1, text.count("\n") - 1)
    assert [f.forgotten for f in result.files].count(True) == 1
    assert told(root) == told(tmp_path / "never")
    ledger = [row for row in rows(load_site(root), LEDGER) if row[0] != name]
    assert ledger == rows(load_site(tmp_path / "never"), LEDGER)
    again = read(load_site(root))
    assert again.ingest_id is None
    assert [f.already_read for f in again.files] == [True] * 4
    assert told(root) == told(tmp_path / "never")
    # a mended label does not bring it back either
    make_site(root, {"wards": WARDS + 'PULSE = "key_pressed"\n', "other": WARDS.replace("wards*", "other*")})
    read(load_site(root))
    assert rows(site, f"select count(*) from events where source_file_sha256 = '{sha}'") == [(0,)]
    assert redo(load_site(root), "wards", build=False).ingest_id is None
    told(root)


def test_what_cannot_be_undone_is_said(tmp_path: Path, rightly: Callable[..., None]) -> None:
    rightly(tmp_path)
    site = load_site(tmp_path)
    with pytest.raises(
        UsageError, match=r"^--redo: there is no source 'ward'\. The mappings are: other, wards"
    ):
        redo(site, "ward")
    with pytest.raises(UsageError, match="no file with this SHA-256 was read"):
        forget(site, "0" * 64)
    with pytest.raises(
        UsageError, match=r"'wards1\.csv' is no SHA-256, nor 8 or more digits of its beginning"
    ):
        forget(site, "wards1.csv")
    forget(site, hash_of(FIRST), build=False)
    with pytest.raises(UsageError, match=r"wards1\.csv was forgotten already, on 20"):
        forget(site, hash_of(FIRST))
    (tmp_path / "sources" / "wards.toml").rename(tmp_path / "sources" / "beds.toml")
    with pytest.raises(
        ConfigurationError, match="belongs to the source 'wards', which has no mapping any more"
    ):
        forget(load_site(tmp_path), hash_of(SECOND))
    with pytest.raises(UsageError, match="nothing of the source 'beds' has been read"):
        redo(load_site(tmp_path), "beds")


def test_missing_original_changes_nothing(tmp_path: Path, rightly: Callable[..., None]) -> None:
    rightly(tmp_path)
    site = load_site(tmp_path)
    before = told(tmp_path)
    for path in (tmp_path / "originals").glob(f"{hash_of(SECOND)}*"):
        path.unlink()
    version = Ledger.open(site.store).snapshot().version
    for undo in (lambda: redo(site, "wards"), lambda: forget(site, hash_of(FIRST))):
        with pytest.raises(InputError, match="is missing"):
            undo()
    assert Ledger.open(site.store).snapshot().version == version
    assert told(tmp_path) == before


def test_waiting_records_are_tried_too(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": WARDS.replace('weight_kg = "Weight"', 'weight_kg = "Drug"')})
    drop(site, "wards.csv", FIRST)
    read(site)
    assert rows(site, "select quarantined from ingests") == [(3,)]
    make_site(tmp_path)
    redo(load_site(tmp_path), "wards", build=False)
    assert rows(site, "select events_kept, quarantined, rows_ignored from ingests") == [(3, 1, 1)]


def test_a_channel_that_only_the_forgotten_file_named_is_gone_from_older_infusions_too(
    tmp_path: Path,
) -> None:
    """It stood for what the whole pump did, long before the file began."""
    mapping = WARDS.replace("care_area", "channel") + 'ON = "powered_on"\nOFF = "powered_off"\n'

    def day(number: int, *kinds: str) -> str:
        return "".join(
            f"P1,2026-10-{number:02} {8 + place:02}:00:00,{10 * number + place},{kind},,,5,\n"
            for place, kind in enumerate(("ON", *kinds, "OFF"))
        )

    first = HEADER + day(4) + day(5, "START", "STOP") + "".join(day(number) for number in range(6, 12))
    second = HEADER + "P1,2026-10-12 08:00:00,120,START,A,,5,\n"
    for name, files in (("undone", (first, second)), ("never", (first,))):
        site = make_site(tmp_path / name, {"wards": mapping})
        for place, text in enumerate(files):
            drop(site, f"wards{place}.csv", text)
            ingest(load_site(tmp_path / name))
    assert rows(load_site(tmp_path / "undone"), "select distinct channel from infusions") == [("A",)]
    forget(load_site(tmp_path / "undone"), hash_of(second))
    derived = [rows(load_site(tmp_path / name), DERIVED) for name in ("undone", "never")]
    assert derived[0] == derived[1]
