"""The invented hospital as files: the same seed gives the same bytes, and everything planted is in them."""

from __future__ import annotations

import csv
import hashlib
import json
from collections import Counter
from pathlib import Path

import pytest

from dripledger.errors import UsageError
from dripledger.hospital import build, family_a, family_b, family_c, generate, load_scenario
from dripledger.site import load_site
from dripledger.sources.mapping import load_mappings

SMALL = {"pumps": 9, "months": 3, "seed": 11}

#: Everything that must be planted in a hospital of any size.
ITEMS = {
    "across_midnight", "across_month_end", "alarm_does_not_stop", "alarm_escalates", "alarm_never_cleared",
    "alarm_repeats", "alarm_stops", "alarms_overlap", "bolus", "hard_limit_met", "left_library_after_warning",
    "limit_alerts_one_row", "limit_alerts_override_alone", "limit_alerts_rows", "limit_alerts_unlogged",
    "noisy_limit_quieted", "piggyback", "relay", "tenfold_brought_inside", "tenfold_overridden",
    "weight_in_pounds", "autumn_hour", "autumn_hour_unclear", "completion_never_logged",
    "drifting_bypasses", "enters_library_midway", "false_start", "fast_clock", "forgotten_stop",
    "implausible_weight", "keep_open", "leaves_library_midway", "missing_stretch_bridged",
    "missing_stretch_unbridged", "no_care_area", "overlapping_export", "patient_change_running", "pause",
    "refill", "silent_pump", "truncated_file", "unknown_care_area", "unknown_entry", "unknown_kind",
    "unreadable_garbled", "unreadable_impossible_time", "unreadable_no_number", "unreadable_no_pump",
    "unreadable_start", "unreadable_stop", "unreadable_time_and_number", "unreadable_total",
    "unreadable_unknown_unit", "unreadable_year_out_of_range", "workshop_area", "workshop_pump",
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("hospital") / "site"
    generate(root, **SMALL)
    return root


def table(root: Path, name: str) -> list[dict[str, str]]:
    with (root / "truth" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def rows_of_a(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter=";"))


def digests(root: Path) -> dict[str, str]:
    return {
        str(path.relative_to(root)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(root.rglob("*"))
        if path.is_file()
    }


def test_the_same_seed_gives_the_same_bytes_and_another_does_not(folder: Path, tmp_path: Path) -> None:
    generate(tmp_path / "again", **SMALL)
    assert digests(tmp_path / "again") == digests(folder)
    generate(tmp_path / "other", **{**SMALL, "seed": 12})
    assert digests(tmp_path / "other")["truth/recoverable.csv"] != digests(folder)["truth/recoverable.csv"]


def test_everything_is_planted(folder: Path) -> None:
    assert {row["item"] for row in table(folder, "planted.csv")} == ITEMS


def test_the_site_and_its_mappings_are_valid(folder: Path) -> None:
    site = load_site(folder)
    assert site.settings.people.demo_seed == SMALL["seed"]
    assert site.pumps is not None
    assert len(site.pumps) == SMALL["pumps"]
    assert [row.offset_s for row in site.clocks] == [2820]
    assert [row.context for row in site.service] == ["maintenance"]
    mappings = load_mappings(site)
    assert {name: m.shape for name, m in mappings.items()} == {
        "family_a": "delimited",
        "family_b": "json_lines",
        "family_c": "hl7",
    }
    assert mappings["family_a"].masked_fields == {"Name"}
    labels = set(mappings["family_a"].kinds) | set(mappings["family_b"].kinds)
    assert not {family_a.LABELS[-1], family_b.LABELS[-1]} & labels  # the unknown kinds stay unknown


def test_every_file_holds_what_its_balance_says(folder: Path) -> None:
    rows = table(folder, "files.csv")
    on_disk = {str(p.relative_to(folder / "inbox")) for p in (folder / "inbox").rglob("*") if p.is_file()}
    assert {row["path"] for row in rows} == on_disk
    for row in rows:
        parts = [int(row[c]) for c in ("events_kept", "duplicates", "quarantined", "rows_ignored")]
        assert sum(parts) == int(row["rows_read"]), row
        text = (folder / "inbox" / row["path"]).read_bytes()
        count = text.count(b"MSH|") if row["source"] == "family_c" else len(text.splitlines())
        assert count - (row["source"] == "family_a") == int(row["rows_read"]), row


def test_family_a_repeats_records_only_in_the_overlapping_export(folder: Path) -> None:
    seen: set[tuple[str, ...]] = set()
    for row in table(folder, "files.csv"):
        if row["source"] != "family_a":
            continue
        told = Counter[str]()
        for record in rows_of_a(folder / "inbox" / row["path"]):
            number, *rest = record.values()
            assert number.isdigit()
            if record["Event"] == family_a.SIGN_OF_LIFE:
                told["rows_ignored"] += 1
            elif tuple(rest) in seen:
                told["duplicates"] += 1
            seen.add(tuple(rest))
        assert told["rows_ignored"] == int(row["rows_ignored"])
        assert told["duplicates"] == int(row["duplicates"])
    again = [row for row in table(folder, "files.csv") if row["path"].endswith("_again.csv")]
    assert [int(row["duplicates"]) > 0 for row in again] == [True]


def test_family_a_holds_each_kind_of_unreadable_record(folder: Path) -> None:
    found = Counter[str]()
    for path in sorted((folder / "inbox" / "family_a").iterdir()):
        for record in rows_of_a(path):
            found["no_pump"] += record["Device"] == ""
            found["impossible_time"] += record["Clock"].startswith("31.02.")
            found["year"] += ".1899 " in record["Clock"]
            found["number"] += "O" in record["Rate"]
            found["unit"] += record["DoseUnit"] == "dabs/h"
            found["both"] += record["Clock"].startswith("31.02.") and "O" in record["Rate"]
            found["weight"] += record["Weight"] == "1800,0"
            found["area"] += record["Area"] == family_a.UNKNOWN_AREA
            found["entry"] += record["Drug"].endswith(family_a.UNKNOWN_ENTRY_TAIL)
    each = load_scenario().planted.unreadable_each
    assert found["no_pump"] == each
    assert found["both"] == each
    assert found["impossible_time"] == 2 * each + 1  # with the start that cannot be read
    assert found["year"] == each + 1  # with the stop that cannot be read
    assert found["number"] == 2 * each
    assert found["unit"] == each
    assert found["weight"] == 1
    assert found["area"] == load_scenario().planted.unknown_areas
    assert found["entry"] >= load_scenario().planted.unknown_entries


def test_family_b_is_json_but_for_the_garbled_and_the_cut_line(folder: Path) -> None:
    broken, events, numbers = 0, 0, Counter[tuple[str, int]]()
    for path in sorted((folder / "inbox" / "family_b").iterdir()):
        for line in path.read_text(encoding="utf-8").splitlines():
            try:
                record = json.loads(line)
            except json.JSONDecodeError:
                broken += 1
                continue
            if record["pump"]["id"] and "-02-31T" not in line:
                events += len(record["entries"])
                numbers.update((record["pump"]["id"], entry["no"]) for entry in record["entries"])
    assert broken == load_scenario().planted.unreadable_each + 1
    assert set(numbers.values()) == {1}
    balance = [row for row in table(folder, "files.csv") if row["source"] == "family_b"]
    assert events == sum(int(row["events"]) for row in balance)
    cut = [row["path"] for row in balance if row["path"].endswith("_1.jsonl")]
    assert len(cut) == 1
    assert not (folder / "inbox" / cut[0]).read_bytes().endswith(b"}\n")
    assert not (folder / "inbox" / cut[0]).read_bytes().endswith(b"\n")


def test_the_silent_pump_is_in_service_and_in_no_file(folder: Path) -> None:
    silent = next(row["pump"] for row in table(folder, "planted.csv") if row["item"] == "silent_pump")
    assert silent in {row.pump for row in load_site(folder).pumps or ()}
    for path in (folder / "inbox").rglob("*"):
        if path.is_file():
            assert silent.encode() not in path.read_bytes()


def test_the_autumn_hour_stands_in_the_log_with_a_clock_that_goes_back(folder: Path) -> None:
    pump = next(row["pump"] for row in table(folder, "planted.csv") if row["item"] == "autumn_hour")
    clock = [
        record["Clock"][11:16]
        for record in rows_of_a(folder / "inbox" / "family_a" / "2026-10.csv")
        if record["Device"] == pump and record["Clock"].startswith("25.10.2026 01:")
    ]
    assert clock == ["01:20", "01:40", "01:10"]


def test_the_default_scenario_is_as_large_as_it_declares() -> None:
    scenario = load_scenario()
    hospital = build(scenario)
    low, high = scenario.expected.events_between
    assert low <= hospital.log.size <= high
    assert len(scenario.care_area) - 1 in range(8, 13)
    assert hospital.world.fleet.size >= 60


def test_too_small_a_hospital_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="too few"):
        generate(tmp_path / "few", pumps=3)
    with pytest.raises(UsageError, match="too few"):
        generate(tmp_path / "short", months=1)
    assert not list(tmp_path.iterdir())


def test_exports_that_are_there_already_are_not_mixed_with_others(folder: Path) -> None:
    before = digests(folder)
    with pytest.raises(UsageError, match="holds exports already"):
        generate(folder, **{**SMALL, "seed": 13})
    assert digests(folder) == before


def test_the_samples_speak_the_dialects() -> None:
    samples = Path(__file__).resolve().parents[2] / "synthetic_data" / "samples"
    rows = rows_of_a(samples / "family_a.csv")
    assert (samples / "family_a.csv").read_text(encoding="utf-8").splitlines()[0] == family_a.HEADER
    assert {row["Event"] for row in rows} <= {*family_a.LABELS, family_a.SIGN_OF_LIFE}
    lines = (samples / "family_b.jsonl").read_text(encoding="utf-8").splitlines()
    assert {e["what"] for line in lines for e in json.loads(line)["entries"]} <= set(family_b.LABELS)
    messages = (samples / "family_c.hl7").read_bytes().decode().split("MSH|")[1:]
    assert {m.split("|")[7].split("^")[1] for m in messages} == {"R42", "R40"}
    assert any(name in message for message in messages for name in family_c.ALARM_NAMES if name)
