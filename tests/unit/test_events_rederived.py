"""Mended declarations reach what was read already: the store ends as if it had known them from the start."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from tests.event_samples import HEADER, WARDS, drop, events, make_site, read, rows, waiting
from tests.marks import LONG

from dripledger.events import balance, derived_are_built, ingest, retry
from dripledger.site import Site, load_site
from dripledger.store import Ledger

#: Make a site in a folder that has read one file after another under a mapping.
HadRead = Callable[..., Site]

LOG = (
    HEADER
    + "P1,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n"
    + "P1,2026-10-01 10:10:00,2,PULSE,,,,\n"
    + "P1,2026-10-01 10:20:00,3,BEAT,,,,\n"
    + "P1,2026-10-01 11:00:00,4,STOP,,,,\n"
)
IGNORED_PULSE = WARDS + 'PULSE = { ignore = "sign of life" }\n'
PAUSING_BEAT = WARDS.replace(
    'BEAT = { ignore = "sign of life, carries no event" }', 'BEAT = "infusion_paused"'
)

#: What does not depend on when a file was read.
LEDGER = (
    "select path, rows_read, events_kept, duplicates, quarantined, rows_ignored, events, mapping_sha256, "
)
LEDGER += "records_json from ingests order by path"
IGNORED = "select source_file_sha256, source_record, sequence, reason from ignored order by all"
LINEAGE = "select event_id, source_file_sha256, source_record, kind, unmapped from events order by event_id"


@pytest.fixture(scope="module")
def had_read(tmp_path_factory: pytest.TempPathFactory) -> HadRead:
    """Return a function that makes a site which has read files; like ones are read once, and copied."""
    made: dict[str, Path] = {}

    def site_of(
        root: Path, *files: str, mapping: str = WARDS, lists: Mapping[str, str] | None = None
    ) -> Site:
        key = repr((files, mapping, lists))
        if key not in made:
            folder = tmp_path_factory.mktemp("had read") / "site"
            site = make_site(folder, {"wards": mapping}, **(lists or {}))  # type: ignore[arg-type]
            for number, text in enumerate(files, 1):
                drop(site, f"wards{number}.csv", text)
                assert read(site).balanced
            made[key] = folder
        shutil.copytree(made[key], root, dirs_exist_ok=True)
        return load_site(root)

    return site_of


def told(root: Path) -> list[object]:
    """Return all that must not depend on when the mapping was mended."""
    site = load_site(root)
    assert balance(Ledger.open(site.store).snapshot()).balanced
    return [events(site), waiting(site), *(rows(site, sql) for sql in (LEDGER, IGNORED, LINEAGE))]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (WARDS, IGNORED_PULSE),
        pytest.param(IGNORED_PULSE, WARDS, marks=LONG),
        pytest.param(WARDS, PAUSING_BEAT, marks=LONG),
        pytest.param(PAUSING_BEAT, WARDS, marks=LONG),
        (WARDS, WARDS + '[[ignore]]\nwhen = "Rate = \'5\'"\nreason = "left out"\n'),
        pytest.param(WARDS + '[[ignore]]\nwhen = "Rate = \'5\'"\nreason = "left out"\n', WARDS, marks=LONG),
        pytest.param(
            WARDS,
            PAUSING_BEAT.replace('STOP = "infusion_stopped"', 'STOP = { ignore = "left out" }'),
            marks=LONG,
        ),
    ],
)
def test_mended_later_equals_known_from_the_start(
    tmp_path: Path, had_read: HadRead, before: str, after: str
) -> None:
    """Rows that repeat in a second file, rows of two ingests, and an unreadable one among them."""
    tables = []
    second = LOG + "P2,2026-10-01 10:20:00,7,BEAT,,,,\nP2,2026-10-01 10:30:00,8,PULSE,,,,\n"
    second += "P1,cut\n"
    for name, mapping in (("late", before), ("early", after)):
        site = had_read(tmp_path / name, LOG, second, mapping=mapping)
        make_site(tmp_path / name, {"wards": after})
        result = read(site)
        assert (result.rederived > 0) == (name == "late")
        tables.append(told(tmp_path / name))
        assert read(site).ingest_id is None
    assert tables[0] == tables[1]


def test_ignored_record_that_cannot_be_read_begins_to_wait(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", LOG + "P1,x,5,BEAT,,,,\n")
    assert read(site).total("rows_ignored") == 2
    make_site(tmp_path, {"wards": PAUSING_BEAT})
    assert read(site).rederived == 1
    assert rows(site, "select events_kept, quarantined, rows_ignored from ingests") == [(4, 1, 0)]
    assert rows(site, "select source_record, reasons from quarantined") == [(5, ["time_format"])]
    make_site(tmp_path)
    assert retry(load_site(tmp_path), build=False).total("rows_ignored") == 1
    assert rows(site, "select events_kept, quarantined, rows_ignored from ingests") == [(3, 0, 2)]
    assert balance(Ledger.open(site.store).snapshot()).balanced


def test_two_records_that_contradict_each_other_once_they_count(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    beat = "P1,2026-10-01 10:20:00,3,BEAT,,,9,\n"
    drop(site, "wards.csv", LOG + beat)
    read(site)
    make_site(tmp_path, {"wards": PAUSING_BEAT})
    read(site)
    assert rows(site, "select source_record, reasons from quarantined order by 1") == [
        (3, ["conflicts_in_ingest"]),
        (5, ["conflicts_in_ingest"]),
    ]
    assert balance(Ledger.open(site.store).snapshot()).balanced


def test_retry_moves_what_a_filed_label_changes_as_well(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", LOG + "P1,x,5,STOP,,,,\n")
    read(site)
    make_site(tmp_path, {"wards": IGNORED_PULSE})
    assert retry(load_site(tmp_path), build=False).rederived == 1
    assert rows(site, "select events_kept, quarantined, rows_ignored from ingests") == [(2, 1, 2)]
    assert balance(Ledger.open(site.store).snapshot()).balanced


def test_infusion_is_certain_once_its_label_is_filed(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", LOG)
    ingest(site)
    make_site(tmp_path, {"wards": IGNORED_PULSE})
    ingest(load_site(tmp_path))
    assert rows(site, "select uncertain, running_hours from infusions") == [(False, 1.0)]


def test_mended_list_of_recorded_kinds_reaches_the_ledger(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"wards": WARDS.replace('["all"]', '["infusion_stopped"]')})
    drop(site, "wards.csv", LOG)
    read(site)
    assert rows(site, "select records_json from ingests") == [('["infusion_stopped"]',)]
    make_site(tmp_path)
    read(site)
    assert "infusion_started" in str(rows(site, "select records_json from ingests"))


def test_missing_original_does_not_hold_up_new_files(tmp_path: Path, had_read: HadRead) -> None:
    """The others are committed; the source stays as it was, and is derived again once its file is back."""
    site = had_read(tmp_path, LOG)
    shutil.move(site.originals, tmp_path / "elsewhere")
    (site.inbox / "wards1.csv").unlink()
    make_site(tmp_path, {"wards": IGNORED_PULSE})
    drop(site, "wards2.csv", HEADER + "P2,2026-10-01 10:00:00,1,START,ICU,Heparin,5,70\n")
    result = read(site)
    assert (result.exit_code, result.total("events_kept"), result.rederived) == (3, 1, 0)
    assert "is missing" in str(result.failures[0])
    for path in (tmp_path / "elsewhere").iterdir():
        shutil.copy(path, site.originals)
    result = read(site)
    assert (result.exit_code, result.rederived) == (0, 1)
    assert rows(site, "select path, events_kept, rows_ignored from ingests order by 1") == [
        ("wards1.csv", 2, 2),
        ("wards2.csv", 1, 0),
    ]


@pytest.mark.slow
@pytest.mark.merge
def test_retry_builds_anew_under_changed_thresholds(tmp_path: Path) -> None:
    """Who commits a changed site.toml builds with it, whichever verb that is."""
    site = make_site(tmp_path)
    again = "P1,2026-10-01 11:05:00,5,START,ICU,Heparin,5,70\nP1,2026-10-01 11:30:00,6,STOP,,,,\n"
    drop(site, "wards.csv", LOG.replace("PULSE", "BEAT") + again + 'P2,2026-10-01 11:30:00,7,RATE,,,"5,5",\n')
    ingest(site)
    before = rows(site, "select count(*) from infusions where continues_infusion_id is null")
    limit = "[thresholds]\ncontinue_after_stop_s = 60\n"
    make_site(tmp_path, {"wards": WARDS + '[delimited]\ndecimal = ","\n'}, limit)
    assert retry(load_site(tmp_path)).total("events_kept") == 1
    fresh = make_site(tmp_path / "fresh", {"wards": WARDS + '[delimited]\ndecimal = ","\n'}, limit)
    shutil.copy(site.inbox / "wards.csv", fresh.inbox)
    ingest(fresh)
    stretches = "select pump_id, started_at, ended_at, running_hours, infusion_id from infusions order by all"
    assert rows(site, stretches) == rows(fresh, stretches)
    assert before != rows(site, "select count(*) from infusions where continues_infusion_id is null")


def test_waiting_record_whose_mapping_is_gone_is_told(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards.csv", LOG + "P1,x,5,STOP,,,,\n")
    read(site)
    (site.sources / "wards.toml").rename(site.sources / "units.toml")
    result = retry(load_site(tmp_path), build=False)
    assert result.exit_code == 3
    assert "1 record of this source waits, but there is no mapping 'wards'" in str(result.failures[0])


def test_store_says_that_nothing_was_built(tmp_path: Path, had_read: HadRead) -> None:
    site = had_read(tmp_path, LOG)
    assert not derived_are_built(Ledger.open(site.store).snapshot())
    ingest(site)
    assert derived_are_built(Ledger.open(site.store).snapshot())


SITE_LISTS = {
    "a clock": {"clocks": "pump,from,offset_s\nP1,2026-10-01 10:05,120\n"},
    "an alias": {"entries": "entry,high_alert,aliases\nheparin sodium,yes,HEPARIN\n"},
    "a pump's type": {"pumps": "pump,model,type,home_area,in_service_from,in_service_to\nP1,,syringe,,,\n"},
    "a service": {"service": "pump,from,to,context\nP1,2026-10-01 10:05,2026-10-01 10:30,training\n"},
    "a care area": {"extra": '[care_areas."Ward 5"]\naliases = ["icu"]\n'},
}


@pytest.mark.parametrize(
    ("what", "count"),
    [
        ("a clock", 2),
        pytest.param("an alias", 1, marks=LONG),
        pytest.param("a pump's type", 3, marks=LONG),
        pytest.param("a service", 1, marks=LONG),
        pytest.param("a care area", 1, marks=LONG),
    ],
)
def test_a_list_mended_later_equals_known_from_the_start(
    tmp_path: Path, had_read: HadRead, what: str, count: int
) -> None:
    """As many events as are concerned are derived anew, in the commit of the next ingest, and it says so."""
    tables = []
    for name in ("late", "early"):
        given = SITE_LISTS[what] if name == "early" else {}
        site = had_read(tmp_path / name, LOG, lists=given)
        make_site(tmp_path / name, **SITE_LISTS[what])  # type: ignore[arg-type]
        result = read(site)
        assert result.rederived == (count if name == "late" else 0)
        assert (result.ingest_id is None) == (name == "early")
        tables.append([events(site), rows(site, IGNORED)])
        assert read(site).ingest_id is None
    assert tables[0] == tables[1]


@pytest.mark.parametrize("where", ["mapping", "site.toml"])
def test_a_zone_mended_later(tmp_path: Path, had_read: HadRead, where: str) -> None:
    site = had_read(tmp_path, LOG)
    before = rows(site, "select event_id, device_time from events order by 1")
    if where == "mapping":
        make_site(tmp_path, {"wards": WARDS.replace('zone = "site"', 'zone = "Asia/Tokyo"')})
    else:
        toml = tmp_path / "site.toml"
        toml.write_text(toml.read_text().replace("Europe/Lisbon", "Asia/Tokyo"), encoding="utf-8")
    assert read(site).rederived == 3
    assert rows(site, "select event_id, device_time from events order by 1") == before
    assert rows(site, "select cast(min(occurred_at) as varchar) from events") == [("2026-10-01 01:00:00+00",)]
