"""Shown months that are settled are recalled: a report of them is the report that works them out again."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from tests.database import connection
from tests.marks import LONG
from tests.report_samples import STAMP
from tests.settled_samples import SETTINGS, appended, event, infusion, replaced, sample
from tests.unit.test_reports_remembered import CHANGES, OFTEN, UNMOVED, read

from dripledger.engine import load_sql_files
from dripledger.engine.sqlfiles import build_order
from dripledger.measures import MEASURES, STORE_TABLES, Facts, Month, tabulate
from dripledger.reports import build, write_report
from dripledger.reports.behind import BY_ENTRY
from dripledger.reports.material import Material, gather
from dripledger.reports.past import NEAR
from dripledger.reports.remembered import FOLDER
from dripledger.reports.together import CHARTED, STANDARDISED
from dripledger.site import EntryRow, ReviewRow, Site, load_site
from dripledger.store import Ledger

pytest.importorskip("jinja2", reason="the extra [report] is not installed")

MAY = Month(2026, 5)
#: The months shown that are settled.
EARLY = ["2026-01", "2026-02", "2026-03"]
ENTRIES = (EntryRow("insulin", True, ()),)


def with_moments() -> dict[str, Any]:
    """The five months, and a sixfold change and a long stop of a high-alert entry in February."""
    found = sample()
    named = {"infusion_id": "m", "channel": "Z", "entry": "insulin", "care_area": "ward"}
    found["infusions"].append(infusion("2026-02", "05 02:00", **named))
    named["month"] = "2026-02"
    found["segments"] += [
        {**named, "state": state, "rate_ml_h": rate, "started_at": f"2026-02-05 {begin}",
         "ended_at": f"2026-02-05 {end}"}
        for state, rate, begin, end in (
            ("running", "2", "02:00", "03:00"), ("running", "12", "03:00", "04:00"),
            ("stopped_by_alarm", "0", "04:00", "04:30"),
        )
    ]  # fmt: skip
    found["events"] += [
        event("2026-02", "05 03:00", event_id="c", kind="rate_changed", channel="Z"),
        event("2026-02", "05 04:00", event_id="s", kind="alarm_raised", channel="Z"),
        *(event(month, "06 08:00", event_id=f"a{month}-0-{k}") for month in EARLY for k in (0, 2, 4)),
    ]
    found["ingests"] = [
        *found["ingests"], {"source_file_sha256": "f", "ingested_at": "2026-06-01 06:00", "path": "b.csv"}
    ]  # fmt: skip
    return found


def with_lists(root: Path) -> Site:
    return dataclasses.replace(load_site(root), entries=ENTRIES)


def shown(own: Site, *, remembered: bool = True, month: Month = MAY) -> dict[str, Any]:
    """Return what the pages of a month are composed from, and which months were recalled for it."""
    snapshot = Ledger.open(own.store).snapshot()
    with connection() as con:
        snapshot.attach(con, STORE_TABLES)
        earlier = build(con, own, month, snapshot=snapshot if remembered else None)
        made = gather(con, own, month, STAMP, earlier)
        return {
            "recalled": list(earlier.recalled),
            "page": made.page, "by_area": made.by_area, "facility": made.facility, "cases": made.cases,
            "states": made.states, "areas": made.areas, "tables": made.tables,
            "charts": [made.history(name, area) for name in CHARTED for area in ("", "icu", "ward")],
            "entries": rows_by(made, ("entry",), BY_ENTRY),
            "mixes": rows_by(made, ("care_area", "entry"), STANDARDISED),
        }  # fmt: skip


def rows_by(made: Material, groups: tuple[str, ...], measures: tuple[str, ...]) -> list[dict[str, Any]]:
    months = [Month(*map(int, name.split("-"))) for name in made.months]
    rows: list[dict[str, Any]] = tabulate(
        made.con, made.site, months, groups, measures, read=made.facts
    ).to_pylist()
    return rows


def pages(found: dict[str, Any]) -> dict[str, Any]:
    return {name: told for name, told in found.items() if name != "recalled"}


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """Return a site whose report of May was made, and what it was made of."""
    root = tmp_path_factory.mktemp("site")
    (root / "site.toml").write_text(SETTINGS, encoding="utf-8")
    appended(**with_moments())(load_site(root))
    found = shown(with_lists(root))
    assert found["recalled"] == []
    return root, pages(found)


@pytest.fixture
def own(filled: tuple[Path, dict[str, Any]], tmp_path: Path) -> Site:
    """Return a copy of that site."""
    shutil.copytree(filled[0], tmp_path / "site")
    return with_lists(tmp_path / "site")


def test_settled_months_are_recalled_and_say_the_same(own: Site, filled: tuple[Path, dict[str, Any]]) -> None:
    found = shown(own)
    assert found["recalled"] == EARLY
    assert pages(found) == filled[1] == pages(shown(own, remembered=False))
    kinds = {(case.month, case.kind) for case in found["cases"]}
    assert {("2026-02", "long_stop"), ("2026-02", "rate_change"), ("2026-01", "far_override")} <= kinds
    assert any(row["value"] is not None for row in found["by_area"] if row["month"] in EARLY)
    assert any(case.source.text for case in found["cases"] if case.month in EARLY)
    for name in ("entries", "mixes"):
        assert {row["entry"] for row in found[name] if row["month"] in EARLY and row["value"] is not None}


def flags(own: Site) -> Site:
    return dataclasses.replace(own, entries=(EntryRow("insulin", False, ()),))


def renamed(own: Site) -> Site:
    """Read the file once more under a name that comes first."""
    given = [
        {"source_file_sha256": "f", "ingested_at": "2026-06-02 06:00", "path": "0.csv", "ingest_id": "2"}
    ]
    return appended(ingests=given)(own)


def other_attempt(own: Site) -> Site:
    rows = [row for row in with_moments()["attempts"] if row["month"] == "2026-02"]
    return replaced("attempts", [{**row, "limit_multiple": "3.9"} for row in rows], "2026-02")(own)


def reviewed(own: Site) -> Site:
    return dataclasses.replace(own, reviews=(ReviewRow("s", "slip", date(2026, 6, 1)),))


MORE: dict[str, Callable[[Site], Site]] = {
    "which entries are high-alert": flags,
    "another name of a file": renamed,
    "an attempt": other_attempt,
    "a review": reviewed,
    "a stop that goes on": lambda own: replaced(
        "segments",
        [
            {**row, **({"ended_at": "2026-02-05 05:00"} if row.get("state") == "stopped_by_alarm" else {})}
            for row in with_moments()["segments"]
            if row["month"] == "2026-02"
        ],
        "2026-02",
    )(own),
    # months with two sources of a pump are worked out together with all others
    "a second source of a pump in the month shown": appended(
        events=[event("2026-05", "13 08:00", pump_id="P1", source_name="theatre", kind="powered_off")]
    ),
}
#: These change what is shown without months that are worked out again.
KEPT = ("another name of a file", "a review")


#: What a plain run tries. What the key says of other changes, `test_reports_remembered.py` tries.
PLAIN = ("an attempt", "another name of a file", "which entries are high-alert")
TRIED = [name for name in (*CHANGES, *MORE) if name in (*OFTEN, *MORE)]


@pytest.mark.parametrize("what", [n if n in PLAIN else pytest.param(n, marks=LONG) for n in TRIED])
def test_what_changes_a_page_is_seen(own: Site, filled: tuple[Path, dict[str, Any]], what: str) -> None:
    changed = {**CHANGES, **MORE}[what](own)
    fresh = pages(shown(changed, remembered=False))
    assert fresh != filled[1], "nothing is another, so this shows nothing"
    found = shown(changed)
    assert pages(found) == fresh
    assert (found["recalled"] == EARLY) is (what in KEPT)


def test_another_month_costs_none_of_the_early_ones(own: Site) -> None:
    changed = UNMOVED["another month"](own)
    found = shown(changed)
    assert found["recalled"] == EARLY
    assert pages(found) == pages(shown(changed, remembered=False))


@pytest.mark.slow
@pytest.mark.merge
def test_a_month_and_the_one_before_it_are_always_worked_out(own: Site) -> None:
    """All their measures are shown, and not all hang on what is kept."""
    for month, recalled in ((Month(2026, 4), EARLY[:2]), (Month(2026, 3), EARLY[:1]), (Month(2026, 1), [])):
        found = shown(own, month=month)
        assert found["recalled"] == recalled == EARLY[: max(month.number - NEAR, 0)]
        assert pages(found) == pages(shown(own, month=month, remembered=False))


def test_what_was_not_kept_of_a_month_is_an_error_and_never_no_figure(own: Site) -> None:
    snapshot = Ledger.open(own.store).snapshot()
    with connection() as con:
        snapshot.attach(con, STORE_TABLES)
        made = gather(con, own, MAY, STAMP, build(con, own, MAY, snapshot=snapshot))
        kept = {name: rows.facts for name, rows in made.earlier.recalled.items()}
        facts = Facts(con, kept)
        with pytest.raises(KeyError, match="clock_corrected_share"):
            facts.of(MEASURES["clock_corrected_share"], (), [*EARLY, "2026-05"])
        with pytest.raises(KeyError, match="pump_type"):
            facts.presence(("pump_type",), EARLY)
        assert facts.of(MEASURES["clock_corrected_share"], (), ["2026-05"])


def test_months_beside_one_of_several_sources_are_not_kept(own: Site) -> None:
    """What the second source says of March counts in the months that are worked out with it."""
    shutil.rmtree(own.reports / FOLDER)
    told = event("2026-03", "02 08:00", pump_id="P1", source_name="theatre", kind="powered_on")
    logs = {"source_name": "theatre", "ingested_at": "2026-06-02 06:00", "records_json": '["powered_on"]'}
    appended(events=[told], ingests=[logs])(own)
    together = shown(own)
    assert not (own.reports / FOLDER).exists()
    alone = read(own, remembered=False)
    assert read(own) == alone
    february = {row["measure"]: row for row in alone["facility"] if row["month"] == "2026-02"}
    beside = {row["measure"]: row for row in together["facility"] if row["month"] == "2026-02"}
    assert february["pump_alarm_rate"]["denominator"] != beside["pump_alarm_rate"]["denominator"]


def test_relations_of_all_months_shown_hang_on_no_other() -> None:
    """What is made again for the months that are recalled may not take away rows that pages read."""
    again = {file.name for file in build_order(load_sql_files("measures"), build.__globals__["OF_ALL_SHOWN"])}
    assert again == {
        "fleet_coverage", "month_state", "newest_heard", "pump_last_heard", "pump_months",
    }  # fmt: skip


@pytest.mark.slow
@pytest.mark.merge
def test_a_report_is_the_same_bytes_with_months_that_are_recalled(own: Site, tmp_path: Path) -> None:
    found = []
    for name in ("with", "without"):
        where = write_report(own, "2026-05", out=tmp_path / name)
        found.append(
            {p.relative_to(where).as_posix(): p.read_bytes() for p in where.rglob("*") if p.is_file()}
        )
        shutil.rmtree(own.reports / FOLDER)
    assert found[0] == found[1]
