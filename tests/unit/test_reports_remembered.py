"""Settled months are worked out once: what is remembered of them is what working them out again gives."""

from __future__ import annotations

import dataclasses
import shutil
import stat
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from tests.database import connection
from tests.marks import LONG
from tests.report_samples import STAMP
from tests.settled_samples import (
    EARLY,
    LIBRARIES,
    SETTINGS,
    appended,
    declared,
    event,
    infusion,
    limits,
    replaced,
    sample,
)

from dripledger.engine import load_sql_files
from dripledger.engine.sqlfiles import build_order
from dripledger.measures import STORE_TABLES, Month, relations_of
from dripledger.reports import build, earlier, past, write_report
from dripledger.reports.behind import BY_ENTRY
from dripledger.reports.case_list import RELATIONS
from dripledger.reports.earlier import Earlier, read_earlier
from dripledger.reports.hours_behind import HOURS_BEHIND
from dripledger.reports.material import gather
from dripledger.reports.past import Past
from dripledger.reports.remembered import FOLDER
from dripledger.reports.together import CHARTED, STANDARDISED, TIED
from dripledger.site import PumpRow, Site, load_site
from dripledger.store import Ledger, writer
from dripledger.store.kept import write_kept

pytest.importorskip("jinja2", reason="the extra [report] is not installed")


@pytest.fixture
def worked_out(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return a list that the months stand in which were worked out since."""
    found: list[str] = []
    really = earlier._worked_out

    def noted(con: Any, site: Site, months: list[Month], *rest: Any, **more: Any) -> Any:
        found.extend(str(month) for month in months)
        return really(con, site, months, *rest, **more)

    monkeypatch.setattr(earlier, "_worked_out", noted)
    return found


def read(own: Site, *, remembered: bool = True, share: bool = False) -> dict[str, Any]:
    """Return what charts need of the early months."""
    snapshot = Ledger.open(own.store).snapshot()
    with connection() as con:
        snapshot.attach(con, STORE_TABLES)
        looked_back = Past(con, own, EARLY, snapshot=snapshot if remembered else None, share=share)
        found = read_earlier(con, own, EARLY, looked_back)
    told = {field.name: getattr(found, field.name) for field in dataclasses.fields(Earlier) if field.compare}
    told["behind"] = {month: behind.told for month, behind in found.behind.items()}
    return told


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """Return a site whose early months were read, and what was read."""
    root = tmp_path_factory.mktemp("site")
    (root / "site.toml").write_text(SETTINGS, encoding="utf-8")
    own = load_site(root)
    appended(**sample())(own)
    return root, read(own)


@pytest.fixture
def own(filled: tuple[Path, dict[str, Any]], tmp_path: Path) -> Site:
    """Return a copy of that site."""
    shutil.copytree(filled[0], tmp_path / "site")
    return load_site(tmp_path / "site")


@pytest.mark.parametrize("share", [False, True])
def test_a_settled_month_is_worked_out_once(own: Site, worked_out: list[str], share: bool) -> None:
    first = read(own, share=share)
    assert worked_out == ([str(month) for month in EARLY] if share else [])
    worked_out.clear()
    assert read(own, share=share) == first
    assert worked_out == []
    assert read(own, share=share, remembered=False) == first
    assert all((first["by_area"], first["facility"], first["behind"] if share else first["by_entry"]))


CHANGES: dict[str, Callable[[Site], Site]] = {
    "a late file": appended(
        infusions=[infusion("2026-02", "21 08:00", infusion_id="late", library_use="bypassed")]
    ),
    "an event of this month in the next month's file": appended(
        # in Halifax the last of March ends at 03:00 UTC
        infusions=[infusion("2026-04", "01 00:10", infusion_id="late", library_use="bypassed")]
    ),
    "minimums": declared(minimums={"starts": 1000}),
    "thresholds": declared(thresholds={"stale_library_days": 300}),
    "care areas": declared(care_areas={"icu": {}, "ward": {}, "theatre": {}}),
    "the time zone": declared(time_zone="Asia/Tokyo"),
    "precedence": declared(precedence=[{"counts": "wards"}]),
    "what a source can log": appended(
        ingests=[{"ingested_at": "2026-06-02 06:00", "records_json": '["infusion_started"]'}]
    ),
    "another library": replaced("libraries", [*LIBRARIES[:1], limits("7", "2026-01-02", "10"), LIBRARIES[2]]),
    "a publication told otherwise": replaced("libraries", [*LIBRARIES[:1], limits("7", "2026-02-19")]),
    "a pump that was silent for months and on": appended(events=[event("2026-05", "25 08:00", pump_id="P9")]),
    "a model told later": appended(events=[event("2026-05", "25 08:00", pump_id="P8", pump_model="M6")]),
    "a release that a pump has later": appended(
        infusions=[infusion("2026-05", "25 08:00", infusion_id="late", pump_id="P1", library_version="8")]
    ),
    # the file of an event is that of its clock before correction
    "an event whose clock stood months ahead": appended(
        events=[event("2026-02", "10 08:00", pump_id="P1", kind="powered_on", month="2026-05")]
    ),
    "what a silent pump told next by a clock some days ahead": appended(
        events=[event("2026-02", "26 08:00", pump_id="P9", month="2026-03")]
    ),
    "a second source of the same pump": appended(
        events=[event("2026-03", "13 08:00", pump_id="P1", source_name="theatre", kind="powered_off")]
    ),
}  # fmt: skip


#: These a plain run tries; the others come before a merge.
OFTEN = ("a late file", "minimums", "another library", "a pump that was silent for months and on", "a title")


def some(names: dict[str, Any]) -> list[Any]:
    return [name if name in OFTEN else pytest.param(name, marks=LONG) for name in names]


@pytest.mark.parametrize("what", some(CHANGES))
def test_what_changes_figures_is_seen(own: Site, filled: tuple[Path, dict[str, Any]], what: str) -> None:
    changed = CHANGES[what](own)
    fresh = read(changed, remembered=False)
    assert fresh != filled[1], "nothing is another, so this shows nothing"
    assert read(changed) == fresh
    assert read(changed) == fresh


def test_what_a_silent_pump_told_next_is_seen_beside_what_its_file_holds_of_before(own: Site) -> None:
    appended(events=[event("2026-01", "11 08:00", pump_id="P9", month="2026-05")])(own)
    first = read(own)
    appended(events=[event("2026-05", "25 08:00", pump_id="P9")])(own)
    fresh = read(own, remembered=False)
    assert fresh != first, "nothing is another, so this shows nothing"
    assert read(own) == fresh


UNMOVED: dict[str, Callable[[Site], Site]] = {
    "pumps.csv": lambda own: dataclasses.replace(
        own, pumps=(PumpRow("P1", None, None, None, date(2020, 1, 1), None),)
    ),
    "a title": declared(report={"title": "Drips"}),
    "an event of a later month whose clock stood ahead": appended(
        events=[event("2026-05", "28 08:00", pump_id="P8", kind="powered_on", month="2026-08")]
    ),
    "another month": appended(
        infusions=[infusion("2026-06", "01 08:00", library_version="7")],
        events=[event("2026-06", "01 08:00", pump_id="P1")],
    ),
    "a new pump with another model": appended(
        events=[event("2026-05", "26 08:00", pump_id="P77", pump_model="M77")]
    ),
    "a library that no pump had yet": replaced("libraries", [*LIBRARIES, limits("9", "2026-02-01", "10")]),
}


@pytest.mark.parametrize("what", some(UNMOVED))
def test_what_changes_no_figure_costs_nothing(own: Site, worked_out: list[str], what: str) -> None:
    changed = UNMOVED[what](own)
    found = read(changed)
    assert worked_out == []
    assert read(changed, remembered=False) == found


def test_what_is_undone_is_as_it_was(own: Site, filled: tuple[Path, dict[str, Any]]) -> None:
    CHANGES["a late file"](own)
    assert read(own) != filled[1]
    february = [row for row in sample()["infusions"] if row["month"] == "2026-02"]
    replaced("infusions", february, "2026-02")(own)
    assert read(own) == filled[1]


def test_files_put_together_say_the_same(
    own: Site, filled: tuple[Path, dict[str, Any]], worked_out: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "_GATHER_EVERY", 2)
    CHANGES["a late file"](own)
    first = read(own)
    worked_out.clear()
    february = [row for row in sample()["infusions"] if row["month"] == "2026-02"]
    for _ in range(2):
        replaced("infusions", february, "2026-02")(own)
    assert read(own) == filled[1] != first
    assert "2026-02" in worked_out


def test_a_month_is_the_same_alone_and_beside_one_with_several_sources(
    own: Site, worked_out: list[str]
) -> None:
    """Where two sources tell of a pump, what either says counts: it would end a stretch of February too."""
    appended(
        events=[event("2026-03", "02 08:00", pump_id="P1", source_name="theatre", kind="powered_on")],
        ingests=[
            {"source_name": "theatre", "ingested_at": "2026-06-02 06:00", "records_json": '["powered_on"]'}
        ],
    )(own)
    first = read(own)
    assert first == read(own, remembered=False)
    (own.reports / FOLDER / "2026-02-internal").unlink()
    worked_out.clear()
    assert read(own) == first
    assert worked_out == ["2026-02", "2026-03"]


def test_a_month_that_can_be_provisional_is_not_remembered(own: Site, worked_out: list[str]) -> None:
    """Without what the fleet told since March, pumps.csv decides whether that month is final."""
    for month in ("2026-04", "2026-05"):
        replaced("events", [], month)(own)
    listed = dataclasses.replace(own, pumps=(PumpRow("P1", None, None, None, None, None),))
    for _ in range(2):
        worked_out.clear()
        assert read(listed)["provisional"] == {"2026-03"}
        assert "2026-03" in worked_out
    gone = dataclasses.replace(own, pumps=(PumpRow("P1", None, None, None, None, date(2026, 1, 5)),))
    found = read(gone)
    assert found == read(gone, remembered=False)
    assert not found["provisional"]


def damaged() -> Iterator[tuple[str, Callable[[Path], object]]]:
    yield "cut off", lambda path: path.write_bytes(path.read_bytes()[:-9])
    yield (
        "another byte",
        lambda path: path.write_bytes(path.read_bytes()[:-40] + b"x" + path.read_bytes()[-39:]),
    )
    yield "empty", lambda path: path.write_bytes(b"")
    yield "another form", lambda path: path.write_bytes(b"0" + path.read_bytes()[1:])
    yield "a folder", lambda path: (path.unlink(), path.mkdir())


@pytest.mark.parametrize(
    "harm", [pytest.param(do, id=name, marks=() if name == "cut off" else LONG) for name, do in damaged()]
)
def test_a_damaged_file_is_as_none(
    own: Site, filled: tuple[Path, dict[str, Any]], worked_out: list[str], harm: Callable[[Path], object]
) -> None:
    harm(own.reports / FOLDER / "2026-02-internal")
    assert read(own) == filled[1]
    assert worked_out == ["2026-02"]


def test_where_nothing_can_be_kept_a_report_is_made(own: Site, filled: tuple[Path, dict[str, Any]]) -> None:
    shutil.rmtree(own.reports / FOLDER)
    (own.reports / FOLDER).write_text("in the way", encoding="utf-8")
    assert read(own) == filled[1]


def test_where_nothing_is_to_be_kept_no_folder_is_made(tmp_path: Path) -> None:
    write_kept(tmp_path / "reports" / FOLDER, {})
    assert list(tmp_path.iterdir()) == []


def test_what_is_kept_is_small_and_for_its_owner_alone(own: Site) -> None:
    folder = own.reports / FOLDER
    (folder / ".part-killed").write_bytes(b"half")
    CHANGES["a late file"](own)
    read(own)
    read(own, share=True)
    assert sorted(path.name for path in folder.iterdir()) == sorted(
        f"{month}-{form}" for month in EARLY for form in ("internal", "shared")
    )
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}


def test_pages_are_composed_of_the_same_with_what_is_remembered(
    own: Site, worked_out: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(build.__globals__, "SPAN", 2)
    snapshot, may, found = Ledger.open(own.store).snapshot(), Month(2026, 5), []
    for _ in range(2):
        with connection() as con:
            snapshot.attach(con, STORE_TABLES)
            made = gather(con, own, may, STAMP, build(con, own, may, snapshot=snapshot))
            charts = [made.history(name, area) for name in CHARTED for area in ("", "icu", "ward")]
            found.append((made.earlier, made.page, made.by_area, made.facility, made.cases, charts))
        shutil.rmtree(own.reports / FOLDER)
    assert worked_out == [str(month) for month in EARLY]
    assert found[0] == found[1]


@pytest.mark.slow
@pytest.mark.merge
def test_a_report_is_the_same_bytes_with_what_is_remembered(
    own: Site, worked_out: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(build.__globals__, "SPAN", 2)
    found = []
    for name in ("with", "without"):
        where = write_report(own, "2026-05", out=tmp_path / name)
        found.append(
            {p.relative_to(where).as_posix(): p.read_bytes() for p in where.rglob("*") if p.is_file()}
        )
        shutil.rmtree(own.reports / FOLDER)
    assert worked_out == [str(month) for month in EARLY]
    assert found[0] == found[1]


def test_the_argument_of_the_key_was_made_for_these_relations() -> None:
    """Another relation, or another table that one reads, may hang on months that the key does not name."""
    measures, of_cases = load_sql_files("measures"), build_order(load_sql_files("reports"), RELATIONS)
    read_by_cases = {name for file in of_cases for name in file.reads} - {file.name for file in of_cases}
    told = relations_of((*CHARTED, *TIED, *BY_ENTRY, *STANDARDISED))
    files = build_order(measures, {*told, HOURS_BEHIND, *read_by_cases})
    assert read_by_cases & measures.keys() == {*past.OF_CASES}
    # settings and precedence are in the key, and so are events; what ingests call a file is asked for anew
    assert read_by_cases - measures.keys() == {
        "events", "counting_events", "ingests", "measure_settings", "site_months",
    }  # fmt: skip
    assert " ".join(sorted(file.name for file in files)).split() == [
        "alarm_channels", "alarm_stretches", "alert_shares", "attempt_outcomes_met", "attempt_shares",
        "hours_behind", "infusion_protection", "kindless_alerts", "library_high_limits", "library_releases",
        "library_sights", "library_use_hours", "library_use_starts", "limit_attempts", "limit_programmings",
        "month_alarms", "month_span", "month_state", "newest_heard", "per_running_time", "plain_alerts",
        "power_events", "protected_share", "pump_alarms", "pump_hours", "pump_kinds", "pump_last_heard",
        "pump_models", "pump_months", "pump_power", "rate_change_tellings", "rate_changes", "running_hours",
        "running_stretches", "stale_library_share", "start_releases", "starts", "stopped_stretches",
        "untold_limit_kinds", "untold_months", "untold_programmings",
    ]  # fmt: skip
    assert {name for file in files for name in file.reads if name in ("quarantined", "ignored")} == set()
