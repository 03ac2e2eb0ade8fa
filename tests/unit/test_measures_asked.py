"""A table of measures that was asked for before is the one that is worked out; what changes it is seen."""

from __future__ import annotations

import dataclasses
import shutil
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tests.measure_samples import table
from tests.report_samples import drawn
from tests.settled_samples import HARM, SETTINGS, harm

from dripledger.errors import UsageError
from dripledger.measures import asked, measure_store, measures_of
from dripledger.measures.asked import FOLDER
from dripledger.site import EntryRow, Site, load_site
from dripledger.store import NOT_BUILT, Ledger, Snapshot

MONTHS = ("2026-01", "2026-02")


def commit(own: Site, note: str = "", **rows: list[dict[str, Any]]) -> None:
    with Ledger.open_or_create(own.store).write() as writer:
        for name, given in rows.items():
            writer.append(name, table(name, given))
        writer.commit(ingest_id="1", declarations=own.declaration_files(), note=note)


def newest(own: Site) -> Snapshot:
    return Ledger.open(own.store).snapshot()


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("site")
    (root / "site.toml").write_text(SETTINGS, encoding="utf-8")
    sample = drawn(MONTHS, ("icu", "ward"), 6)
    commit(load_site(root), **sample, ingests=[{"ingested_at": "2026-03-02 06:00"}])
    own = load_site(root)
    measures_of(own, newest(own))
    return root


@pytest.fixture
def own(filled: Path, tmp_path: Path) -> Site:
    shutil.copytree(filled, tmp_path / "site")
    return load_site(tmp_path / "site")


@pytest.fixture
def worked_out(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Return a list of the questions that were worked out since."""
    found: list[Any] = []
    really = asked.measure_months

    def noted(site: Site, snapshot: Snapshot, months: Any, by: Any, folder: Path) -> Any:
        found.append((months, by))
        return really(site, snapshot, months, by, folder)

    monkeypatch.setattr(asked, "measure_months", noted)
    return found


def test_the_same_question_is_worked_out_once(own: Site, worked_out: list[Any]) -> None:
    first = measures_of(own, newest(own))
    assert worked_out == []
    assert first.equals(measure_store(own, newest(own)))
    assert {"ok", "no_data"} <= {row["status"] for row in first.to_pylist()}


def later(own: Site) -> Site:
    more = {"infusion_id": "late", "started_at": "2026-02-20 08:00", "ended_at": "2026-02-20 20:00"}
    commit(own, infusions=[{**more, "library_use": "bypassed", "care_area": "ward", "month": "2026-02"}])
    return own


def another_minimum(own: Site) -> Site:
    settings = own.settings.model_validate({**own.settings.model_dump(), "minimums": {"starts": 900}})
    return dataclasses.replace(own, settings=settings)


CHANGES: dict[str, tuple[Callable[[Site], Site], dict[str, Any]]] = {
    "a later version": (later, {}),
    "a setting": (another_minimum, {}),
    "a list": (lambda own: dataclasses.replace(own, entries=(EntryRow("morphine", True, ()),)), {}),
    "other months": (lambda own: own, {"months": ["2026-01"]}),
    "other groups": (lambda own: own, {"by": ("entry",)}),
}


@pytest.mark.parametrize("what", CHANGES)
def test_another_question_is_worked_out(own: Site, worked_out: list[Any], what: str) -> None:
    before = measures_of(own, newest(own))
    assert worked_out == []
    change, question = CHANGES[what]
    changed = change(own)
    found = measures_of(changed, newest(changed), **question)
    assert len(worked_out) == 1
    assert found.equals(measure_store(changed, newest(changed), **question))
    # by care area a list of entries changes nothing, but nobody has to know that
    assert found.equals(before) is (what == "a list")


def test_a_version_of_before_is_told_as_it_was(own: Site) -> None:
    before = measures_of(own, newest(own))
    later(own)
    after = measures_of(own, newest(own))
    old = Ledger.open(own.store).snapshot("1")
    assert measures_of(own, old).equals(before)
    assert not after.equals(before)


def test_answers_of_earlier_versions_are_let_go_and_all_are_for_their_owner_alone(own: Site) -> None:
    folder = own.reports / FOLDER
    (folder / "notes.txt").write_text("mine", encoding="utf-8")
    measures_of(own, newest(own), by=())
    assert sorted(path.name[:3] for path in folder.iterdir()) == ["not", "v1-", "v1-"]
    later(own)
    measures_of(own, newest(own))
    measures_of(own, newest(own), by=())
    assert sorted(path.name[:3] for path in folder.iterdir()) == ["not", "v2-", "v2-"]
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.glob("v*")} == {0o600}


@pytest.mark.parametrize("how", HARM)
def test_a_damaged_file_is_as_none(own: Site, worked_out: list[Any], how: str) -> None:
    first = measures_of(own, newest(own))
    (path,) = (own.reports / FOLDER).iterdir()
    harm(path, how)
    assert measures_of(own, newest(own)).equals(first)
    assert len(worked_out) == 1


def test_where_nothing_can_be_kept_it_is_worked_out(own: Site, worked_out: list[Any]) -> None:
    first = measures_of(own, newest(own))
    shutil.rmtree(own.reports)
    own.reports.write_text("in the way", encoding="utf-8")
    assert measures_of(own, newest(own)).equals(first)
    assert len(worked_out) == 1


def test_what_is_not_built_is_refused_although_it_was_asked_before(own: Site) -> None:
    commit(own, note=NOT_BUILT)
    with pytest.raises(UsageError, match="have not been built"):
        measures_of(own, newest(own))
    with pytest.raises(UsageError, match="nothing that measures can be split by"):
        measures_of(own, Ledger.open(own.store).snapshot("1"), by=("nurse",))
