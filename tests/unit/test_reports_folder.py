"""The folder of a report: whole or not at all, owner-only, the same bytes again."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import stat
from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.measure_samples import table
from tests.unit.test_reports_page import sample

from dripledger.errors import UsageError
from dripledger.measures import measure_store
from dripledger.reports import folder, write_folder, write_report
from dripledger.reports.tables import as_csv
from dripledger.site import Site, load_site
from dripledger.store import NOT_BUILT, Ledger

pytest.importorskip("jinja2", reason="the extra [report] is not installed")

SITE = """
format = 1
facility = "fennmoor"
time_zone = "Europe/Lisbon"
[care_areas.icu]
[care_areas.ward]
"""
FILES = {
    "index.html", "cases.html", "areas.html", "entries.html", "alarms.html", "library.html", "fleet.html",
    "quality.html", "definitions.html", "style.css", "tables.js", "report.pdf", "report.xlsx",
    "measures.csv", "measures_by_source.csv", "measures_by_pump_type.csv", "measures_by_high_alert.csv",
    "measures_facility.csv", "infusions.csv", "cases.csv", "far_overrides.csv", "left_library.csv",
    "long_stops.csv", "rate_changes.csv", "implausible.csv", "manifest.json", "areas", "lists",
}  # fmt: skip


def contents(where: Path) -> dict[str, bytes]:
    """Return every file of a folder by its path inside it."""
    return {p.relative_to(where).as_posix(): p.read_bytes() for p in where.rglob("*") if p.is_file()}


def commit(own: Site, at: datetime, *, note: str = "", **drawn: object) -> None:
    ledger = Ledger.open_or_create(own.store)
    with ledger.write(at=at) as writer:
        for name, rows in drawn.items():
            writer.append(name, table(name, rows))  # type: ignore[arg-type]
        writer.commit(ingest_id="1", declarations=own.declaration_files(), note=note)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Site:
    root = tmp_path_factory.mktemp("site")
    (root / "site.toml").write_text(SITE, encoding="utf-8")
    own = load_site(root)
    commit(own, datetime(2026, 11, 2, 6, tzinfo=UTC), **sample())
    return own


@pytest.fixture(scope="module")
def where(made: Site) -> Path:
    """Return the folder of its report, written once: to look at, and to copy."""
    return write_report(made, "2026-10")


@pytest.fixture
def rendered_once(where: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Give the files of that report to whoever renders it again: what becomes of the folder is looked at."""
    files = contents(where)
    monkeypatch.setattr(folder, "render_files", lambda *_, **__: dict(files))


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_report_has_its_files_and_a_manifest_that_fits_them(made: Site, where: Path) -> None:
    assert where == made.reports / "2026-10"
    assert {path.name for path in where.iterdir()} == FILES
    manifest = json.loads((where / "manifest.json").read_text(encoding="utf-8"))
    assert set(manifest["files"]) == set(contents(where)) - {"manifest.json"}
    for name, entry in manifest["files"].items():
        assert entry["sha256"] == digest(where / name)
        assert entry["bytes"] == (where / name).stat().st_size
    assert manifest["store_version"] == 1
    assert manifest["committed_on"] == "2026-11-02"
    assert manifest["time_zone"] == "Europe/Lisbon"
    assert manifest["month"] == "2026-10"
    assert {"code_version", "definitions_version", "declarations_sha256", "facility"} <= set(manifest)


def test_only_the_owner_can_read_it(where: Path) -> None:
    assert stat.S_IMODE(where.stat().st_mode) == 0o700
    inside = list(where.rglob("*"))
    assert {stat.S_IMODE(path.stat().st_mode) for path in inside if path.is_file()} == {0o600}
    assert {stat.S_IMODE(path.stat().st_mode) for path in inside if path.is_dir()} == {0o700}


@pytest.mark.usefixtures("rendered_once")
def test_last_is_the_month_before_the_commit(made: Site) -> None:
    assert write_report(made, "last").name == "2026-10"


def test_measures_csv_has_the_columns_that_others_rely_on(where: Path) -> None:
    rows = list(csv.DictReader((where / "measures.csv").read_text(encoding="utf-8").splitlines()))
    assert list(rows[0]) == [
        "measure", "month", "care_area", "numerator", "denominator", "value", "low95", "high95", "unit",
        "status", "reason",
    ]  # fmt: skip
    icu = next(r for r in rows if r["measure"] == "library_use_starts" and r["care_area"] == "icu")
    assert (icu["numerator"], icu["denominator"], icu["value"]) == ("32", "40", "0.8")


def test_the_list_behind_the_figures_has_date_and_shift_and_no_clock_time(where: Path) -> None:
    text = (where / "infusions.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    assert len(rows) == 68
    # 03:12 UTC is 04:12 in Lisbon in October
    assert {(r["started_on"], r["shift"]) for r in rows} == {("2026-10-05", "00-08")}
    assert "12:45" not in text
    assert sum(float(r["running_hours_in_month"]) for r in rows if r["care_area"] == "icu") == 40 * 44


def test_the_same_version_gives_the_same_bytes(made: Site, where: Path, tmp_path: Path) -> None:
    assert contents(write_report(made, "2026-10", out=tmp_path / "again")) == contents(where)


@pytest.mark.slow
@pytest.mark.merge
def test_an_old_version_is_reported_with_the_declarations_of_its_commit(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    own = load_site(tmp_path)
    commit(own, datetime(2026, 11, 2, 6, tzinfo=UTC), **sample())
    before = write_report(own, "2026-10", out=tmp_path / "before")
    (tmp_path / "site.toml").write_text(SITE + "[minimums]\nstarts = 1000\n", encoding="utf-8")
    own = load_site(tmp_path)
    commit(
        own, datetime(2026, 12, 2, 6, tzinfo=UTC), infusions=[{"infusion_id": "later", "care_area": "icu"}]
    )
    again = write_report(own, "2026-10", out=tmp_path / "again", as_of="2026-11-30")
    now = write_report(own, "2026-10", out=tmp_path / "now")
    assert contents(before) == contents(again)
    assert digest(now / "measures.csv") != digest(before / "measures.csv")


@pytest.mark.usefixtures("rendered_once")
def test_a_new_report_takes_the_place_of_the_old_one_and_leaves_nothing_behind(
    made: Site, where: Path, tmp_path: Path
) -> None:
    target = tmp_path / "r"
    shutil.copytree(where, target)
    manifest = json.loads((target / "manifest.json").read_text(encoding="utf-8"))
    manifest["files"]["of_an_older_version.csv"] = {}
    (target / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    (target / "of_an_older_version.csv").write_text("x", encoding="utf-8")
    write_report(made, "2026-10", out=target)
    assert {path.name for path in target.iterdir()} == FILES
    assert [path.name for path in tmp_path.iterdir()] == ["r"]


@pytest.mark.usefixtures("rendered_once")
def test_files_that_no_report_wrote_stay_when_it_is_written_again(
    made: Site, where: Path, tmp_path: Path
) -> None:
    target = tmp_path / "r"
    shutil.copytree(where, target)
    (target / "notes.txt").write_text("mine", encoding="utf-8")
    (target / "minutes").mkdir()
    (target / "minutes" / "november.txt").write_text("ours", encoding="utf-8")
    (target / "link").symlink_to("minutes")
    (target / "lists" / "own.txt").write_text("my list", encoding="utf-8")
    for _ in range(2):
        write_report(made, "2026-10", out=target)
    assert {path.name for path in target.iterdir()} == FILES | {"notes.txt", "minutes", "link"}
    assert (target / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert (target / "minutes" / "november.txt").read_text(encoding="utf-8") == "ours"
    assert (target / "link").is_symlink()
    assert (target / "lists" / "own.txt").read_text(encoding="utf-8") == "my list"
    assert "notes.txt" not in json.loads((target / "manifest.json").read_text(encoding="utf-8"))["files"]


@pytest.mark.usefixtures("rendered_once")
def test_a_file_of_ones_own_with_the_name_of_a_new_one_is_refused_by_name(made: Site, tmp_path: Path) -> None:
    target = tmp_path / "r"
    write_folder(
        target, {"index.html": b"old", "manifest.json": b'{"kind": "report", "files": {"index.html": {}}}'}
    )
    (target / "infusions.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match=r"infusions\.csv"):
        write_report(made, "2026-10", out=target)
    assert (target / "infusions.csv").read_text(encoding="utf-8") == "mine"
    assert (target / "index.html").read_bytes() == b"old"


@pytest.mark.parametrize("month", ["1999-01", "2026-09", "2299-12"])
def test_a_month_outside_the_store_is_refused_with_the_span(made: Site, tmp_path: Path, month: str) -> None:
    with pytest.raises(UsageError, match=rf"{month} lies outside .*: 2026-10\."):
        write_report(made, month, out=tmp_path / "r")
    assert not (tmp_path / "r").exists()


def test_events_without_infusions_are_not_reported(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    own = load_site(tmp_path)
    commit(own, datetime(2026, 11, 2, 6, tzinfo=UTC), **sample())
    with Ledger.open(own.store).write(at=datetime(2026, 11, 3, 6, tzinfo=UTC)) as writer:
        writer.append("events", table("events", "| event_id |\n| late |"))
        writer.commit(ingest_id="2", declarations=own.declaration_files(), note=NOT_BUILT)
    with pytest.raises(UsageError, match="not been built") as told:
        write_report(own, "2026-10")
    assert "dripledger ingest" in (told.value.do or "")
    with pytest.raises(UsageError, match="not been built"):
        measure_store(own, Ledger.open(own.store).snapshot())
    assert write_report(own, "2026-10", as_of="1").is_dir()


def test_implausible_events_stand_beside_the_page_with_date_and_shift(where: Path) -> None:
    (row,) = csv.DictReader((where / "implausible.csv").read_text(encoding="utf-8").splitlines())
    assert (row["check_name"], row["happened_on"], row["shift"]) == (
        "weight_over_500_kg",
        "2026-10-05",
        "08-16",
    )
    assert (row["value"], row["unit"], row["pump_id"]) == ("1800.0", "kg", "P1")
    assert not {"occurred_at", "device_time"} & set(row)


def test_the_list_of_infusions_says_volume_doubt_and_false_start(where: Path) -> None:
    row = next(csv.DictReader((where / "infusions.csv").read_text(encoding="utf-8").splitlines()))
    assert (row["uncertain"], row["false_start"]) == ("no", "no")
    assert {"volume_ml", "amount", "amount_unit"} <= set(row)


def test_a_folder_that_is_no_report_is_left_alone(made: Site, tmp_path: Path) -> None:
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "mine.txt").write_text("x", encoding="utf-8")
    with pytest.raises(UsageError, match="no report"):
        write_report(made, "2026-10", out=tmp_path / "letters")
    assert (tmp_path / "letters" / "mine.txt").read_text(encoding="utf-8") == "x"
    with pytest.raises(UsageError, match="a file"):
        write_report(made, "2026-10", out=tmp_path / "letters" / "mine.txt")


def test_a_failure_in_mid_write_leaves_the_old_report_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "r"
    manifest = b'{"kind": "report", "files": {"a.txt": {}}}'
    write_folder(target, {"a.txt": b"old", "manifest.json": manifest})
    calls = []

    def fail(handle: int) -> None:
        calls.append(handle)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(folder.os, "fsync", fail)
    with pytest.raises(OSError, match="No space"):
        write_folder(target, {"a.txt": b"new", "b.txt": b"new"})
    assert {path.name: path.read_bytes() for path in target.iterdir()} == {
        "a.txt": b"old",
        "manifest.json": manifest,
    }
    assert [path.name for path in tmp_path.iterdir()] == ["r"]


def test_nothing_committed_is_nothing_to_report(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    own = load_site(tmp_path)
    Ledger.create(own.store)
    with pytest.raises(UsageError, match="nothing to report"):
        write_report(own, "2026-10")
    assert not own.reports.exists()


def test_a_text_that_a_spreadsheet_would_run_is_defused() -> None:
    made = as_csv(table("infusions", [{"entry": "=1+1", "care_area": "a,b"}]).select(["entry", "care_area"]))
    assert made == 'entry,care_area\n\'=1+1,"a,b"\n'
