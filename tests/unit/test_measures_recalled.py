"""Settled months are recalled where measures are asked for, and say what working them out again says."""

from __future__ import annotations

import dataclasses
import shutil
import stat
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from tests.marks import LONG
from tests.settled_samples import HARM, SETTINGS, appended, event, harm, infusion, sample

from dripledger.engine import load_sql_files
from dripledger.engine.sqlfiles import build_order
from dripledger.measures import measure_store, recalled, relations_of
from dripledger.measures.months import as_months
from dripledger.measures.recalled import BESIDE, COVERED, measure_months
from dripledger.site import EntryRow, PumpRow, Site, load_site
from dripledger.store import Ledger

#: The months of the sample that are settled, and those that are not.
SETTLED, OTHERS = ["2026-01", "2026-02", "2026-03"], ["2026-04", "2026-05"]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site whose measures were asked for once."""
    root = tmp_path_factory.mktemp("site")
    (root / "site.toml").write_text(SETTINGS, encoding="utf-8")
    appended(**sample())(load_site(root))
    told(load_site(root))
    return root


@pytest.fixture
def own(filled: Path, tmp_path: Path) -> Site:
    """Return a copy of that site."""
    shutil.copytree(filled, tmp_path / "site")
    return load_site(tmp_path / "site")


@pytest.fixture
def worked_out(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return a list of the months whose relations were made since, without those made beside for all."""
    found: list[str] = []
    really = recalled.prepare

    def noted(con: Any, site: Site, months: Any, relations: Any = None) -> None:
        if relations is None or "starts" in relations:
            found.extend(str(month) for month in months)
        really(con, site, months, relations)

    monkeypatch.setattr(recalled, "prepare", noted)
    return found


def told(own: Site, groups: tuple[str, ...] = ("care_area",)) -> list[dict[str, Any]]:
    snapshot = Ledger.open(own.store).snapshot()
    rows: list[dict[str, Any]] = measure_months(own, snapshot, None, groups, own.reports / "kept").to_pylist()
    return rows


def fresh(own: Site, groups: tuple[str, ...] = ("care_area",)) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = measure_store(
        own, Ledger.open(own.store).snapshot(), None, groups
    ).to_pylist()
    return rows


def test_settled_months_are_recalled_and_say_the_same(own: Site, worked_out: list[str]) -> None:
    found = told(own)
    assert worked_out == OTHERS
    assert found == fresh(own)
    assert any(row["value"] is not None for row in found if row["month"] in SETTLED)


@pytest.mark.parametrize(
    "groups",
    [
        (),
        *(
            pytest.param(g, marks=LONG)
            for g in (("source",), ("care_area", "entry"), ("pump_type", "source"))
        ),
    ],
)
def test_every_combination_of_groups_has_its_own(
    own: Site, worked_out: list[str], groups: tuple[str, ...]
) -> None:
    first = told(own, groups)
    assert worked_out == [*SETTLED, *OTHERS]
    worked_out.clear()
    assert told(own, groups) == first == fresh(own, groups)
    assert worked_out == OTHERS


def listed(*pumps: str) -> Callable[[Site], Site]:
    """Return the change that these pumps are in service, until a day in February."""
    rows = tuple(PumpRow(pump, None, None, None, None, date(2026, 2, 10)) for pump in pumps)
    return lambda own: dataclasses.replace(own, pumps=rows)


#: These change figures of settled months and are read beside: no month has to be worked out for them.
BESIDE_CHANGES: dict[str, tuple[Callable[[Site], Site], str]] = {
    "pumps.csv": (listed("P1", "P9", "P77"), "fleet_coverage"),
    "a number that comes months later": (
        appended(events=[event("2026-05", "26 08:00", pump_id="P1", sequence="9")]),
        "log_completeness",
    ),
    "a record that waits": (
        appended(quarantined=[{"device_time": "2026-02-11 08:00", "source_record": 7}]),
        "quarantine_share",
    ),
}


@pytest.mark.parametrize(
    "what", [pytest.param(w, marks=LONG if w == "a record that waits" else ()) for w in BESIDE_CHANGES]
)
def test_what_is_read_of_all_months_is_seen_and_costs_no_month(
    own: Site, worked_out: list[str], what: str
) -> None:
    change, measure = BESIDE_CHANGES[what]
    if measure == "log_completeness":
        appended(events=[event("2026-02", "26 08:00", pump_id="P1", sequence="3")])(own)
    before = told(own)
    worked_out.clear()
    changed = change(own)
    found = told(changed)
    assert found == fresh(changed)
    assert worked_out == OTHERS
    settled = {
        row["measure"]
        for row, other in zip(found, before, strict=True)
        if row != other and row["month"] in SETTLED
    }
    assert settled == {measure}


def test_an_attempt_that_comes_months_later_changes_what_its_infusion_is(
    own: Site, worked_out: list[str]
) -> None:
    """Whether an infusion had any override, its attempts of all months say."""
    first = next(row for row in sample()["attempts"] if row["outcome"] == "within_limits")
    assert first["month"] == "2026-01"
    later = {"attempt_id": "later", "month": "2026-05", "outcome": "overridden"}
    at = dict.fromkeys(("first_alert_at", "last_alert_at", "decided_at"), "2026-05-09 08:00")
    before = told(own)
    worked_out.clear()
    appended(attempts=[{**first, **later, **at}])(own)
    found = told(own)
    assert found == fresh(own)
    assert "2026-01" in worked_out
    changed = {
        row["measure"]
        for row, other in zip(found, before, strict=True)
        if row != other and row["month"] == "2026-01"
    }
    assert changed == {"infusion_override_share"}


def test_the_type_of_a_pump_that_is_told_later_is_seen(own: Site) -> None:
    before = told(own, ("pump_type",))
    appended(infusions=[infusion("2026-05", "26 08:00", pump_id="P1", pump_type="volumetric")])(own)
    found = told(own, ("pump_type",))
    assert found == fresh(own, ("pump_type",))
    assert {row["pump_type"] for row in found} - {row["pump_type"] for row in before} == {"volumetric"}
    assert any(
        row["numerator"] for row in found if row["month"] in SETTLED and row["pump_type"] == "volumetric"
    )


@pytest.mark.slow
@pytest.mark.merge
def test_flags_of_entries_are_seen(own: Site) -> None:
    flagged = dataclasses.replace(own, entries=(EntryRow("morphine", True, ()),))
    assert told(flagged, ("high_alert",)) == fresh(flagged, ("high_alert",))
    other = dataclasses.replace(own, entries=(EntryRow("morphine", False, ()),))
    assert told(other, ("high_alert",)) == fresh(other, ("high_alert",))


def test_where_several_sources_tell_of_a_pump_all_is_worked_out(own: Site, worked_out: list[str]) -> None:
    appended(
        events=[event("2026-03", "02 08:00", pump_id="P1", source_name="theatre", kind="powered_on")],
        ingests=[
            {"source_name": "theatre", "ingested_at": "2026-06-02 06:00", "records_json": '["powered_on"]'}
        ],
    )(own)
    kept = {path.name: path.read_bytes() for path in (own.reports / "kept").iterdir()}
    assert told(own) == fresh(own)
    assert worked_out == [*SETTLED, *OTHERS]
    assert {path.name: path.read_bytes() for path in (own.reports / "kept").iterdir()} == kept


def test_one_settled_month_by_itself_is_worked_out(own: Site) -> None:
    """Relations have to stand, whatever is kept."""
    snapshot = Ledger.open(own.store).snapshot()
    for months in (["2026-02"], ["2026-01", "2026-03"]):
        wanted = as_months(months)
        found = measure_months(own, snapshot, wanted, ("care_area",), own.reports / "kept")
        assert found.equals(measure_store(own, snapshot, months, ("care_area",)))


@pytest.mark.parametrize("how", [HARM[0], *(pytest.param(how, marks=LONG) for how in HARM[1:])])
def test_a_damaged_file_is_as_none(own: Site, worked_out: list[str], how: str) -> None:
    harm(own.reports / "kept" / "2026-02-care_area", how)
    assert told(own) == fresh(own)
    assert worked_out == ["2026-02", *OTHERS]


def test_what_is_kept_is_for_its_owner_alone_and_where_it_cannot_be_kept_nothing_fails(own: Site) -> None:
    folder = own.reports / "kept"
    assert sorted(path.name for path in folder.iterdir()) == [f"{month}-care_area" for month in SETTLED]
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}
    shutil.rmtree(folder)
    folder.write_text("in the way", encoding="utf-8")
    assert told(own) == fresh(own)


def test_the_argument_of_the_key_was_made_for_these_relations() -> None:
    """Another relation, or another table that one reads, may hang on months that the key does not name."""
    measures = load_sql_files("measures")
    files = build_order(measures, relations_of(one.id for one in COVERED))
    assert " ".join(sorted(file.name for file in files)).split() == [
        "alarm_channels", "alarm_stretches", "alarm_times", "alert_shares", "alerts_per_infusion",
        "attempt_outcomes_met", "attempt_shares", "event_quality", "infusion_protection",
        "kindless_alerts", "library_high_limits", "library_releases", "library_sights", "library_use_hours",
        "library_use_starts", "limit_attempts", "limit_programmings", "month_alarms", "month_span",
        "month_state", "newest_heard", "per_running_time", "plain_alerts", "power_events", "protected_share",
        "pump_alarms", "pump_hours", "pump_kinds", "pump_last_heard", "pump_models", "pump_months",
        "pump_power", "rate_change_tellings", "rate_changes", "running_hours", "running_stretches",
        "stale_library_share", "start_releases", "starts", "stopped_stretches", "uncertain_share",
        "untold_limit_kinds", "untold_months", "untold_programmings",
    ]  # fmt: skip
    read = {name for file in files for name in file.reads} - measures.keys()
    # pumps.csv says whether a month is final, which is asked anew of all months
    assert [file.name for file in files if "pumps_in_service" in file.reads] == ["month_state"]
    assert not read & {"quarantined", "ignored"}
    assert {*BESIDE} == {"log_completeness", "quarantine_share", "fleet_coverage"}
