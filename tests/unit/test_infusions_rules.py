"""A store whose infusions an earlier program built by other rules: the next ingest builds them all again."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from tests.database import connection
from tests.event_samples import HEADER, drop, make_site, rows

from dripledger.commands.status import describe
from dripledger.events import IngestResult, ingest, redo, retry
from dripledger.events.run import rules_of, why_rebuild
from dripledger.infusions import rules
from dripledger.infusions.build import make_settings
from dripledger.measures import site_as_published
from dripledger.site import Site, SiteSettings, Thresholds, load_site
from dripledger.store import INFUSION_RULES, Ledger, verify_store

LOG = (
    HEADER
    + "P1,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"
    + "P1,2026-10-01 11:00:00,2,STOP,,,,\n"
    + "P2,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"
    + "P2,2026-10-01 11:00:00,2,STOP,,,,\n"
)
ENDS = "select pump_id, end_kind, volume_ml from infusions order by pump_id"


def read_once(root: Path) -> Site:
    """Make a site that has read the log."""
    site = make_site(root)
    drop(site, "wards_1.csv", LOG)
    ingest(load_site(root))
    return site


def other_rules(patched: pytest.MonkeyPatch, root: Path) -> None:
    """Let the program build from a copy of its queries in which an hour has half its volume."""
    from dripledger.engine import sqlfiles

    folder = root / "sql"
    shutil.copytree(sqlfiles.sql_folder(), folder)
    copy = folder / "infusions" / "infusions.sql"
    text = copy.read_text(encoding="utf-8").strip().rstrip(";")
    copy.write_text(f"select * replace (0.5 * volume_ml as volume_ml) from ({text})", encoding="utf-8")
    patched.setattr(sqlfiles, "sql_folder", lambda: folder)
    forget()


def forget() -> None:
    """Let queries be read anew."""
    from dripledger.engine import sqlfiles

    sqlfiles.load_sql_files.cache_clear()


def test_other_rules_build_every_pump_again_and_say_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Though only one pump has something new; and the rules of this program come back the same way."""
    site = read_once(tmp_path)
    ours = rows(site, ENDS)
    assert [volume for _, _, volume in ours] == [5.0, 5.0]
    try:
        with monkeypatch.context() as patched:
            other_rules(patched, tmp_path)
            drop(site, "wards_2.csv", HEADER + "P2,2026-10-02 10:00:00,3,START,ICU,Heparin,5,70\n")
            told = ingest(load_site(tmp_path))
            assert [note for note in told.notes if "built again" in note and "other rules" in note]
            assert [row[:3:2] for row in rows(site, ENDS) if row[1] == "stopped"] == [
                ("P1", 2.5),
                ("P2", 2.5),
            ]
            assert ingest(load_site(tmp_path)).ingest_id is None
        forget()
        waits = describe(load_site(tmp_path), Ledger.open(site.store).snapshot())["infusions_wait"]
        assert "other rules" in waits
        again = ingest(load_site(tmp_path))
    finally:
        forget()
    assert again.ingest_id is not None
    assert [note for note in again.notes if "other rules" in note]
    assert [row for row in rows(site, ENDS) if row[1] == "stopped"] == ours
    assert describe(load_site(tmp_path), Ledger.open(site.store).snapshot())["infusions_wait"] is None
    assert verify_store(site.store) == []


@pytest.mark.parametrize("again", [lambda site: redo(site, "wards"), retry], ids=["redo", "retry"])
def test_reading_a_source_or_what_waits_again_says_so_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, again: Callable[[Site], IngestResult]
) -> None:
    site = read_once(tmp_path)
    mapping = site.sources / "wards.toml"
    text = mapping.read_text(encoding="utf-8")
    mapping.write_text(text.replace("[kinds]", '[kinds]\nHALT = "infusion_stopped"', 1), encoding="utf-8")
    try:
        with monkeypatch.context() as patched:
            other_rules(patched, tmp_path)
            told = again(load_site(tmp_path))
            assert told.ingest_id is not None
            assert [note for note in told.notes if "built again" in note and "other rules" in note]
            assert [volume for _, _, volume in rows(site, ENDS)] == [2.5, 2.5]
            assert again(load_site(tmp_path)).notes == ()
    finally:
        forget()


def test_the_commit_keeps_the_rules_it_built_by(tmp_path: Path) -> None:
    site = read_once(tmp_path)
    snapshot = Ledger.open(site.store).snapshot()
    assert snapshot.row is not None
    digest = snapshot.row.declarations[INFUSION_RULES]
    kept = (site.store / "declarations" / digest).read_text(encoding="utf-8")
    assert kept == rules_of(load_site(tmp_path))
    assert hashlib.sha256(kept.encode()).hexdigest() == digest
    names = [line.split("  ", 1)[1] for line in kept.splitlines()]
    assert {"sql/infusions/segments.sql", "units", "order of kinds at one instant", "settings"} <= set(names)
    assert {"columns", "events that count"} <= set(names)


def test_another_default_of_this_version_is_another_rule(tmp_path: Path) -> None:
    """Though site.toml, which does not name it, stays as it is; an older version waits for nothing."""
    site = read_once(tmp_path)
    first = Ledger.open(site.store).snapshot()
    assert why_rebuild(load_site(tmp_path), first) == ""
    longer = load_site(tmp_path)
    other = longer.settings.thresholds.model_copy(update={"continue_after_stop_s": 1800})
    longer = replace(longer, settings=longer.settings.model_copy(update={"thresholds": other}))
    assert "other rules" in why_rebuild(longer, first)
    assert describe(longer, first, newest=False)["infusions_wait"] is None


def test_only_settings_that_infusions_rest_on_build_them_again(tmp_path: Path) -> None:
    """A remark, a title, a minimum do not: of a large store that would take a night."""
    site = read_once(tmp_path)
    first, built = Ledger.open(site.store).snapshot(), rows(site, ENDS)
    declared = tmp_path / "site.toml"
    before = declared.read_text(encoding="utf-8")
    for more in (
        "# a remark\n", '[report]\ntitle = "Pumps"\n', "[minimums]\nstarts = 30\n",
        "[thresholds]\nlong_stop_s = 1200\nquarantine_share_max = 0.5\nprovisional_share = 0.9\n",
    ):  # fmt: skip
        declared.write_text(f"{before}\n{more}", encoding="utf-8")
        assert why_rebuild(load_site(tmp_path), first) == ""
        told = ingest(load_site(tmp_path))
        # a version of its own, for its reports go by the new file
        assert (told.ingest_id is not None, told.notes) == (True, ())
        assert (
            site_as_published(site, Ledger.open(site.store).snapshot()).settings
            == load_site(tmp_path).settings
        )
        assert ingest(load_site(tmp_path)).ingest_id is None
    assert rows(site, ENDS) == built
    declared.write_text(f"{before}\n[thresholds]\ncontinue_after_stop_s = 1800\n", encoding="utf-8")
    assert "settings in site.toml" in why_rebuild(load_site(tmp_path), first)


@pytest.mark.parametrize("name", sorted(Thresholds.model_fields))
def test_the_rules_name_the_thresholds_that_infusions_are_built_by(name: str) -> None:
    own = SiteSettings(format=1, facility="h", time_zone="UTC")
    other = own.thresholds.model_copy(update={name: getattr(own.thresholds, name) / 2})
    changed = own.model_copy(update={"thresholds": other})

    def built_by(settings: SiteSettings) -> list[tuple[Any, ...]]:
        con = connection()
        make_settings(con, settings)
        return con.execute("select * from settings").fetchall()

    assert (built_by(own) != built_by(changed)) is (
        rules.rules_text(own, {}) != rules.rules_text(changed, {})
    )


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("select 1 -- why\nfrom t", "select   1\n\nfrom t", True),
        ("select '-- no comment' as a", "select '' as a", False),
        ("select 'a  b' as a", "select 'a b' as a", False),
        ("select 'it''s -- so' from t", "select 'it''s -- so'\nfrom t -- x", True),
        ("select 1 from t", "select 2 from t", False),
    ],
)
def test_comments_and_white_space_are_no_rules(one: str, other: str, same: bool) -> None:
    assert (rules.bare(one) == rules.bare(other)) is same
