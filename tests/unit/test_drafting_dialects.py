"""Four dialects that the word lists were not written for: what a draft finds, and what it never shows."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from tests.dialects import DIALECTS, Dialect

from dripledger.drafting.draft import draft
from dripledger.drafting.words import fold, words


@pytest.fixture(params=sorted(DIALECTS), scope="module")
def dialect(request: pytest.FixtureRequest) -> Dialect:
    return DIALECTS[request.param]()


@pytest.fixture(scope="module")
def text(dialect: Dialect, tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("dialect") / dialect.name
    path.write_bytes(dialect.data)
    return draft(path)


@pytest.fixture(scope="module")
def told(text: str) -> dict[str, Any]:
    return tomllib.loads(text)


def test_no_header_stands_in_the_word_lists(dialect: Dialect) -> None:
    listed = {word.text for word in words()}
    # MRN is an abbreviation of the trade that no dialect replaces
    assert [h for h in dialect.headers if fold(h) in listed and h != "MRN"] == []


def test_every_field_is_found(dialect: Dialect, told: dict[str, Any]) -> None:
    for column, raw in dialect.fields.items():
        spec = told["fields"].get(column)
        assert spec is not None, f"{column} was not found"
        if " " in raw and column == "device_time":
            date, hour = raw.split(" ")
            assert spec == {"expr": f'"{date}" || \' \' || "{hour}"'} or spec == raw
        else:
            assert (spec if isinstance(spec, str) else spec["field"]) == raw, column


def test_every_unit_is_found(dialect: Dialect, told: dict[str, Any]) -> None:
    for column, unit in dialect.units.items():
        spec = told["fields"][column]
        assert spec.get("unit_field", spec.get("unit")) == unit


def test_what_is_about_people_is_masked_or_keyed_and_shown_nowhere(
    dialect: Dialect, text: str, told: dict[str, Any]
) -> None:
    assert set(dialect.hidden) <= set(told["personal"]["mask"])
    assert told["fields"]["patient_key"] == {"field": dialect.fields["patient_key"], "personal": "key"}
    assert [value for value in dialect.people if value in text] == []


def test_labels_are_filed_where_words_say_so_and_listed_where_not(
    dialect: Dialect, text: str, told: dict[str, Any]
) -> None:
    filed = {(k if isinstance(k, str) else k["kind"]) for k in told["kinds"].values()}
    assert {
        "infusion_started", "infusion_stopped", "infusion_resumed", "rate_changed", "limit_alerted",
        "limit_overridden", "bolus_started", "bolus_ended", "alarm_raised", "alarm_cleared",
        "care_area_selected",
    } == filed  # fmt: skip
    assert dialect.odd not in told["kinds"]
    assert f'# "{dialect.odd}"' in text
    assert set(told["records"]) == filed


def test_what_the_data_do_not_decide_is_assumed(dialect: Dialect, told: dict[str, Any]) -> None:
    subjects = {sentence.partition(":")[0] for sentence in told["assumed"]}
    assert {"kinds", "records"} <= subjects
    assert ("time.zone" in subjects) == (told["time"]["zone"] == "site")
    assert ("time.two_digit_years_from" in subjects) == ("%y" in told["time"]["format"])
    assert ("encoding" in subjects) == (b"\xe4" in dialect.data)
    # days over 12 stand in every dialect
    assert "time.format" not in subjects


def test_a_draft_is_the_same_each_time(dialect: Dialect, text: str, tmp_path: Path) -> None:
    path = tmp_path / dialect.name
    path.write_bytes(dialect.data)
    assert draft(path) == text
