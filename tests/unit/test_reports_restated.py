"""Months that were final and changed by late files: what was, what is, which files."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from tests.database import connection
from tests.report_samples import OCTOBER, STAMP, drawn
from tests.unit.test_reports_folder import SITE, commit, contents

from dripledger.commands.verify import check
from dripledger.measures import STORE_TABLES, Month, site_as_published
from dripledger.reports import Stamp, build, folder, write_report
from dripledger.reports.blocks import Block, Leaf
from dripledger.reports.material import gather
from dripledger.reports.page_html import _blocks
from dripledger.reports.redeclared import redeclared_blocks
from dripledger.reports.restated import restated_blocks, restated_months
from dripledger.site import Site, load_site
from dripledger.store import INFUSION_RULES, LOOKUP_FILES, Ledger, program_differs

pytest.importorskip("jinja2", reason="the extra [report] is not installed")


def heard_after_september() -> dict[str, Any]:
    """Two months of three pumps; every pump of September is heard after it."""
    first = drawn(("2026-09", "2026-10"), ("icu",), 24)
    first["events"] = [
        {
            "event_id": f"h{month}{k}",
            "pump_id": f"P{k}",
            "month": month,
            "occurred_at": f"{month}-20 09:00:00",
            "device_time": f"{month}-20 09:00:00",
            "ingest_id": "one",
            "source_file_sha256": "f1",
        }
        for month in ("2026-09", "2026-10")
        for k in range(3)
    ]
    first["ingests"] = [
        {
            "ingest_id": "one",
            "path": "wards/first.csv",
            "source_file_sha256": "f1",
            "ingested_at": "2026-11-02 05:59:59",
        }
    ]
    return first


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """September is final with the first ingest; a file of the second brings more of it."""
    root = tmp_path_factory.mktemp("site")
    (root / "site.toml").write_text(SITE, encoding="utf-8")
    made = load_site(root)
    commit(made, datetime(2026, 11, 2, 6, tzinfo=UTC), **heard_after_september())
    late = drawn(("2026-09",), ("icu",), 6)
    for name in ("infusions", "segments", "programmings", "attempts"):
        for row in late[name]:
            for key in ("infusion_id", "programming_id", "attempt_id"):
                if key in row and row[key] != "-":
                    row[key] = f"late-{row[key]}"
            row["channel"] = f"late{row['channel']}"
    late["events"] = [
        {
            "event_id": "l1",
            "pump_id": "P0",
            "month": "2026-09",
            "occurred_at": "2026-09-21 09:00:00",
            "device_time": "2026-09-21 09:00:00",
            "ingest_id": "two",
            "source_file_sha256": "f2",
        }
    ]
    late["ingests"] = [
        {
            "ingest_id": "two",
            "path": "wards/late.csv",
            "source_file_sha256": "f2",
            "ingested_at": "2026-11-20 05:59:59",
        }
    ]
    late.pop("alarms")
    (root / "entries.csv").write_text("entry,high_alert\nheparin,yes\n", encoding="utf-8")
    commit(made, datetime(2026, 11, 20, 6, tzinfo=UTC), **late)
    return made


def told_by(blocks: Sequence[Block]) -> str:
    leaf = Leaf("index.html", "", "", tuple(blocks))
    text = re.sub(r"<[^>]+>", " ", re.sub(r"</?span[^>]*>", "", _blocks(leaf)))
    return " ".join(unescape(text).split())


def test_a_restated_month_says_what_was_what_is_and_which_files(own: Site, tmp_path: Path) -> None:
    """On a page, with all that stands beside it; the others look at the blocks that it is made from."""
    thresholds = own.settings.thresholds.model_copy(update={"continue_after_stop_s": 3600.0})
    edited = replace(own, settings=own.settings.model_copy(update={"thresholds": thresholds}))
    where = write_report(edited, "2026-10", tmp_path / "r")
    for name in ("index.html", "definitions.html"):
        assert "Not built yet" in (where / name).read_text(encoding="utf-8"), name
    text = unescape((where / "index.html").read_text(encoding="utf-8"))
    part = text[text.index('id="restated"') : text.index('id="work"')]
    assert "was final at store version 1" in part
    assert "wards/late.csv (1)" in part
    assert "wards/first.csv" not in part
    assert "20 / 24" in part
    assert "25 / 30" in part
    assert "entries.csv (store version 2, " in re.sub(r"<[^>]+>", "", text[text.index('id="redeclared"') :])


def test_a_month_that_moved_by_what_was_declared_anew_is_restated_too(tmp_path: Path) -> None:
    """No file came late: the list of pumps says otherwise now which of them were in service."""
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    pumps = "pump,type,in_service_from,in_service_to\n" + "".join(
        f"P{k},syringe,2026-01-01,\n" for k in range(3)
    )
    (tmp_path / "pumps.csv").write_text(pumps, encoding="utf-8")
    first = heard_after_september()
    commit(load_site(tmp_path), datetime(2026, 11, 2, 6, tzinfo=UTC), **first)

    def told() -> str:
        now = load_site(tmp_path)
        snapshot = Ledger.open(now.store).snapshot()
        with connection() as con:
            snapshot.attach(con, STORE_TABLES)
            made = gather(con, now, OCTOBER, STAMP, build(con, now, OCTOBER))
            return told_by(restated_blocks(made, restated_months(made, snapshot)))

    assert told() == ""
    (tmp_path / "reviews.csv").write_text("case,disposition,date\n", encoding="utf-8")
    commit(load_site(tmp_path), datetime(2026, 11, 3, 6, tzinfo=UTC))
    assert told() == ""
    (tmp_path / "pumps.csv").write_text(pumps + "P9,syringe,2026-01-01,2026-09-20\n", encoding="utf-8")
    commit(load_site(tmp_path), datetime(2026, 11, 20, 6, tzinfo=UTC))
    said = told()
    assert "Sep 2026 was final at store version 1. Declared anew since: pumps.csv (store version 3" in said
    assert re.search(r"Fleet coverage the whole facility 100 % 3 / 3 75.0 % 3 / 4", said), said
    assert "came in later" not in said


@pytest.mark.slow
@pytest.mark.merge
def test_before_the_late_file_nothing_is_restated_and_the_old_report_comes_out_byte_for_byte(
    own: Site, tmp_path: Path
) -> None:
    before = contents(write_report(own, "2026-10", tmp_path / "a", as_of="1"))
    assert b'id="restated"' not in before["index.html"]
    assert b'id="redeclared"' not in before["index.html"]
    assert before == contents(write_report(own, "2026-10", tmp_path / "b", as_of="2026-11-10"))


@pytest.mark.slow
@pytest.mark.merge
def test_verify_checks_every_file_of_the_folder_and_those_inside(own: Site, tmp_path: Path) -> None:
    where = write_report(own, "2026-10", tmp_path / "r")
    assert check(where).is_sound
    (where / "lists" / "attempts.csv").write_text("changed", encoding="utf-8")
    (where / "lists" / "mine.txt").write_text("mine", encoding="utf-8")
    (where / "areas" / "icu.html").unlink()
    found = check(where)
    assert not found.is_sound
    assert {(f.level, f.where) for f in found.findings} == {
        ("error", "lists/attempts.csv"),
        ("error", "areas/icu.html"),
        ("note", "lists/mine.txt"),
    }


def test_what_was_declared_anew_is_told(tmp_path: Path) -> None:
    """Settings, lists and rules by name, version and day; not what is as it was when the month began."""
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    changes = tmp_path / "changes.csv"
    changes.write_text("date,what,new_limits\n2026-07-01,new pumps,yes\n", encoding="utf-8")
    made = load_site(tmp_path)
    data = drawn(("2026-09", "2026-10"), ("icu",), 24)
    commit(made, datetime(2026, 10, 2, 6, tzinfo=UTC), **data)

    def told(as_of: str | None = None) -> str:
        now = load_site(tmp_path)
        snapshot = Ledger.open(now.store).snapshot(as_of)
        if as_of is not None:
            now = site_as_published(now, snapshot)
        return told_by(redeclared_blocks(now, OCTOBER, snapshot))

    assert told() == ""
    (tmp_path / "entries.csv").write_text("entry,high_alert\nheparin,yes\n", encoding="utf-8")
    (tmp_path / "reviews.csv").write_text("case,disposition,date\n", encoding="utf-8")
    commit(made, datetime(2026, 10, 20, 6, tzinfo=UTC))
    first = told()
    assert "Since 2026-10-02" in first
    assert "entries.csv (store version 2, 2026-10-20)" in first
    assert "reviews.csv" not in first
    assert "site.toml" not in first
    assert "--as-of 1'" in first
    (tmp_path / "site.toml").write_text(
        SITE + "\n[thresholds]\ncontinue_after_stop_s = 3600\n", encoding="utf-8"
    )
    assert "Not built yet" in told()
    assert "Not built yet" not in told(as_of="2")
    assert "Not kept yet" not in told(as_of="2")
    shared = write_report(load_site(tmp_path), "2026-10", tmp_path / "shared", share=True)
    for name in ("index.html", "definitions.html"):
        page = (shared / name).read_text(encoding="utf-8")
        assert "Not built yet" in page, name
        assert "entries.csv" not in page, name
    (tmp_path / "entries.csv").unlink()
    changes.write_text("date,what\n2026-08-15,new library\n2026-10-15,training\n", encoding="utf-8")
    ledger = Ledger.open(made.store)
    with ledger.write(at=datetime(2026, 11, 2, 6, tzinfo=UTC)) as writer:
        rules = {INFUSION_RULES: "others", LOOKUP_FILES: "ab  sources/beds.csv\n"}
        writer.commit(ingest_id="1", declarations=made.declaration_files(), texts=rules)
    last = told()
    assert "site.toml (store version 3, 2026-11-02)" in last
    assert "kept yet" not in last
    assert "the program's rules for infusions, written down for the first time (store version 3" in last
    assert "lookup files of sources, written down for the first time (store version 3" in last
    assert "changes.csv (2 rows of before the month came or went; 1 of them with new limits)" in last
    assert "entries.csv" not in last
    assert "Not built yet" not in last
    first_row = ledger.snapshot("1").row
    assert first_row is not None
    (made.store / "declarations" / first_row.declarations["changes.csv"]).unlink()
    assert "changes.csv (its rows of then cannot be read any more)" in told()


def test_what_was_edited_and_not_kept_is_told_and_stands_in_the_manifest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Minimums and lists count at once, so the same store version can give another report."""
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    commit(load_site(tmp_path), datetime(2026, 11, 2, 6, tzinfo=UTC), **drawn(("2026-10",), ("icu",), 24))
    (tmp_path / "site.toml").write_text(f"{SITE}\n[minimums]\nstarts = 30\n", encoding="utf-8")
    (tmp_path / "entries.csv").write_text("entry,high_alert\nheparin,yes\n", encoding="utf-8")
    (tmp_path / "service.csv").write_text(
        "pump,from,to,context\nP1,2026-01-01,,maintenance\n", encoding="utf-8"
    )
    site = load_site(tmp_path)
    snapshot = Ledger.open(site.store).snapshot()
    inside = told_by(redeclared_blocks(site, OCTOBER, snapshot))
    assert "site.toml, entries.csv: edited since store version 1 was committed" in inside
    assert "service.csv: another than the infusions of store version 1 were built with" in inside
    shared = told_by(redeclared_blocks(site, OCTOBER, snapshot, share=True))
    assert "site.toml: edited since" in shared
    assert "entries.csv" not in shared
    where = write_report(site, "2026-10", tmp_path / "now")
    assert json.loads((where / "manifest.json").read_text())["edited"] == ["site.toml", "entries.csv"]
    assert ", edited since." in (where / "index.html").read_text(encoding="utf-8")
    # as it was published: only the manifest is looked at

    def told_alone(_con: Any, _site: Site, month: Month, made_from: Stamp, **_: Any) -> dict[str, bytes]:
        return {"manifest.json": folder.manifest({}, month, made_from)}

    monkeypatch.setattr(folder, "render_files", told_alone)
    then = write_report(site, "2026-10", tmp_path / "then", as_of="1")
    assert json.loads((then / "manifest.json").read_text())["edited"] == []


@pytest.mark.parametrize(
    ("other", "program"),
    [
        ("a  settings\nb  sql/infusions/x.sql\n", False),
        ("1  settings\nb  sql/infusions/x.sql\nc  events that count\n", False),
        ("1  settings\nc  sql/infusions/x.sql\n", True),
        ("1  settings\n", True),
    ],
)
def test_other_settings_are_not_other_rules_of_the_program(other: str, program: bool) -> None:
    assert program_differs("1  settings\nb  sql/infusions/x.sql\n", other) is program
