"""The form for sharing: small numbers hidden with what gives them back, no list, no pump."""

from __future__ import annotations

import csv
import os
import re
import stat
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from tests.report_samples import drawn, own_site, rendered
from tests.unit.test_reports_folder import SITE, commit, contents

from dripledger.reports import folder as report_folder
from dripledger.reports import write_report
from dripledger.reports.share import hide_small
from dripledger.site import load_site

pytest.importorskip("jinja2", reason="the extra [report] is not installed")


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    return rendered(own_site(("icu", "ward")), share=True, **drawn(areas=("icu", "ward", "theatre")))


def test_it_holds_no_list_no_case_and_no_pump(files: dict[str, bytes]) -> None:
    names = set(files)
    assert not [n for n in names if n.startswith(("lists/", "entries/")) or n in ("cases.html", "fleet.html")]
    assert {n for n in names if n.endswith(".csv")} == {"measures.csv"}
    for name, content in files.items():
        if name.endswith((".html", ".csv", ".json")):
            text = content.decode()
            assert not [
                pump for pump in ("P0", "P1", "P2", "P3") if f">{pump}<" in text or f" {pump}" in text
            ], name
            assert ".jsonl" not in text, name
            assert "reports/" not in text, name
            assert "This internal form" not in text, name
    assert b'"form": "shared"' in files["manifest.json"]


def test_releases_have_no_counts_and_doubtful_infusions_are_not_told(files: dict[str, bytes]) -> None:
    """Three starts on an old release give back a hidden count of starts that are out of date."""
    library, quality = files["library.html"].decode(), files["quality.html"].decode()
    assert "Versions that starts of the month ran on" in library
    assert not [t for t in ("Of these out of date", ">Pumps<", ">Entry<") if t in library]
    assert ">Log completeness<" in quality
    assert ">Uncertain infusions<" not in quality


def test_no_small_number_is_shown(files: dict[str, bytes]) -> None:
    rows = list(csv.DictReader(files["measures.csv"].decode().splitlines()))
    assert any(r["status"] == "hidden" for r in rows)
    assert any(r["status"] in ("ok", "provisional") for r in rows)
    for r in rows:
        if r["status"] == "hidden":
            assert (r["numerator"], r["denominator"], r["value"]) == ("", "", ""), r
        elif (
            r["numerator"]
            and r["measure"]
            not in ("fleet_coverage", "log_completeness", "library_use_hours", "delivery_lost")
            and "_share" in r["measure"] + "_share"
        ):
            assert float(r["numerator"]) not in (1, 2, 3, 4) or r["measure"].startswith(
                ("quarantine", "unmapped", "clock")
            ), r


def test_what_is_hidden_is_not_called_too_few_data(files: dict[str, bytes]) -> None:
    cards = re.findall(r'<article class="card.*?</article>', files["index.html"].decode(), re.S)
    hidden = [card for card in cards if "<b>hidden</b>" in card and "<svg" not in card]
    assert hidden
    for card in hidden:
        assert "In every month: small numbers are hidden, and what would give them back." in card
        assert "enough data" not in card
        assert "nothing can be told" not in card


def row(measure: str, area: str, numerator: int, denominator: int) -> dict[str, object]:
    return {
        "measure": measure,
        "month": "2026-10",
        "care_area": area,
        "numerator": numerator,
        "denominator": denominator,
        "value": numerator / denominator,
        "low95": 0.0,
        "high95": 1.0,
        "status": "ok",
        "reason": "left out: 3 attempts",
    }


def test_a_hidden_number_cannot_be_worked_out_from_the_total() -> None:
    areas = [row("soft_alert_share", name, n, 100) for name, n in (("a", 2), ("b", 30), ("c", 40))]
    by_area, whole = hide_small(areas, [row("soft_alert_share", "", 72, 300)], {})
    hidden = {r["care_area"] for r in by_area if r["status"] == "hidden"}
    assert "a" in hidden
    assert len(hidden) >= 2 or whole[0]["status"] == "hidden"
    assert all(
        r["reason"] in ("", "small numbers are hidden, and what would give them back") for r in by_area
    )


def test_a_share_near_all_is_as_telling_as_one_near_none() -> None:
    areas = [row("protected_share", name, n, 100) for name, n in (("a", 98), ("b", 60))]
    by_area, _ = hide_small(areas, [row("protected_share", "", 158, 200)], {})
    assert by_area[0]["status"] == "hidden"


def test_what_follows_from_a_hidden_outcome_is_hidden_too() -> None:
    keys = ("overridden", "within_limits", "left_library", "unchanged", "cancelled", "unknown")
    counts = {"a": (20, 20, 20, 20, 20, 2), "b": (30, 30, 30, 30, 30, 30)}
    areas = [
        row(f"outcomes_soft_{k}", a, n, sum(c))
        for a, c in counts.items()
        for k, n in zip(keys, c, strict=True)
    ]
    areas += [row("override_share", "a", 20, 100), row("override_share", "b", 30, 150)]
    whole = [
        row(f"outcomes_soft_{k}", "", sum(c[i] for c in counts.values()), 282) for i, k in enumerate(keys)
    ]
    whole.append(row("override_share", "", 50, 250))
    by_area, total = hide_small(areas, whole, {})
    status = {(r["measure"], r["care_area"]): r["status"] for r in (*by_area, *total)}
    assert status["outcomes_soft_unknown", "a"] == "hidden"
    assert status["override_share", "a"] == "hidden"
    assert status["override_share", ""] == "hidden"


def test_what_the_areas_leave_of_the_total_is_as_good_as_shown() -> None:
    """175 starts, of which 80 and 70 are listed: the other 25 have 3."""
    areas = [row("library_use_starts", "icu", 40, 80), row("library_use_starts", "ward", 30, 70)]
    by_area, whole = hide_small(areas, [row("library_use_starts", "", 73, 175)], {})
    assert "hidden" in {r["status"] for r in (*by_area, *whole)}


def test_what_the_areas_leave_of_the_outcomes_is_as_good_as_shown() -> None:
    keys = ("overridden", "within_limits", "left_library", "unchanged", "cancelled", "unknown")
    areas = [row(f"outcomes_soft_{k}", a, 20, 120) for a in ("a", "b") for k in keys]
    whole = [row(f"outcomes_soft_{k}", "", 43 if k == "overridden" else 50, 293) for k in keys]
    by_area, total = hide_small(areas, whole, {})
    assert {r["measure"]: r["status"] for r in total}["outcomes_soft_overridden"] == "hidden" or {
        r["status"] for r in by_area if r["measure"] == "outcomes_soft_overridden"
    } == {"ok", "hidden"}


def test_one_start_that_no_library_file_covers_is_no_difference_of_two_figures() -> None:
    """1442 starts of known library use, 1440 under a file: two are not; one of them is in the ward."""
    counts = {"ward": (156, 167, 138, 166), "icu": (300, 400, 250, 400), "theatre": (700, 875, 400, 874)}
    areas = [
        row(measure, area, *pair)
        for area, (inside, starts, guarded, covered) in counts.items()
        for measure, pair in (
            ("library_use_starts", (inside, starts)),
            ("protected_share", (guarded, covered)),
            ("stale_library_share", (0, starts)),
        )
    ]
    whole = [
        row("library_use_starts", "", 1156, 1442), row("protected_share", "", 788, 1440),
        row("stale_library_share", "", 0, 1442),
    ]  # fmt: skip
    by_area, total = hide_small(areas, whole, {})
    hidden = {(r["measure"], r["care_area"]) for r in (*by_area, *total) if r["status"] == "hidden"}
    assert hidden == {("protected_share", area) for area in ("ward", "theatre", "")}


def test_no_page_and_no_table_shows_two_figures_that_differ_by_one_start() -> None:
    """Of 30 starts an area 5 are outside; one of the others ran on a library of which there is no file."""
    given = drawn(("2026-10",), ("icu", "ward"), 30)
    given["libraries"] = [
        {"care_area": area, "entry": entry, "hard_high": "9"}
        for area in ("icu", "ward")
        for entry in {infusion["entry"] for infusion in given["infusions"]}
    ]
    given["infusions"][1]["library_version"] = "8"
    files = rendered(own_site(("icu", "ward")), share=True, **given)
    told = {
        (r["measure"], r["care_area"]): (r["numerator"], r["denominator"])
        for r in csv.DictReader(files["measures.csv"].decode().splitlines())
    }
    assert told["library_use_starts", "icu"] == told["library_use_starts", "ward"] == ("25", "30")
    assert told["stale_library_share", "icu"] == ("0", "30")
    assert told["protected_share", "icu"] == ("", "")
    for name, content in files.items():
        if name.endswith((".html", ".csv")):
            words = re.sub("<[^>]+>", " ", content.decode())
            assert not re.search(r"\b(?:24|29) */ *\d|/ *(?:29|59)\b|\bof (?:29|59)\b", words), name


@pytest.mark.parametrize(("mask", "folder", "file"), [(0o022, 0o755, 0o644), (0o027, 0o750, 0o640)])
def test_the_shared_form_honours_the_umask_and_the_internal_one_is_for_its_owner(
    tmp_path: Path, files: dict[str, bytes], october: dict[str, bytes], monkeypatch: pytest.MonkeyPatch,
    mask: int, folder: int, file: int,
) -> None:  # fmt: skip
    """Of files that are rendered already: who may read them is settled where they are written."""

    def render_files(*_: Any, share: bool, **__: Any) -> dict[str, bytes]:
        return dict(files if share else october)

    monkeypatch.setattr(report_folder, "render_files", render_files)
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    own = load_site(tmp_path)
    commit(own, datetime(2026, 11, 2, 6, tzinfo=UTC), **drawn(("2026-10",), ("icu",), 6))
    before = os.umask(mask)
    try:
        shared = write_report(own, "2026-10", share=True)
        inner = write_report(own, "2026-10")
    finally:
        os.umask(before)
    assert shared == own.reports / "2026-10-shared"
    assert stat.S_IMODE(shared.stat().st_mode) == folder
    assert stat.S_IMODE((shared / "areas").stat().st_mode) == folder
    assert {stat.S_IMODE((shared / name).stat().st_mode) for name in contents(shared)} == {file}
    assert stat.S_IMODE(inner.stat().st_mode) == 0o700
    assert {stat.S_IMODE((inner / name).stat().st_mode) for name in contents(inner)} == {0o600}
