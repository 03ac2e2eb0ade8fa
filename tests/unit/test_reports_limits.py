"""Limits of a report's charts rest on the first months of all, and start anew only by what concerns them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from tests.measure_samples import site, store
from tests.report_samples import STAMP

from dripledger.errors import DripledgerError
from dripledger.measures import Month
from dripledger.reports.anew import OF_LIMITS, Anew, Release, Restart, first_month, read_anew
from dripledger.reports.blocks import Table
from dripledger.reports.cards import _words, marks_text
from dripledger.reports.changes import changes_leaf
from dripledger.reports.compose import build
from dripledger.reports.material import Material, gather
from dripledger.reports.series import History
from dripledger.reports.together import CHARTED, TOGETHER
from dripledger.site import ChangeRow, Site
from dripledger.statistics import Found, Series, read_chart

MONTHS = [Month(2024, 9).plus(k) for k in range(26)]
OCTOBER = Month(2026, 10)


def own(*changes: ChangeRow) -> Site:
    return site(areas=("icu", "ward"), lists={"changes": changes})


def drawn(outside: dict[str, list[int]] | None = None) -> dict[str, Any]:
    """Thirty starts a month and area, of which so many are outside the library: first 3, slowly more."""
    outside = outside or {"icu": [3] * 12 + [3 + k // 2 for k in range(14)], "ward": [6] * 26}
    infusions, events = [], []
    # heard after its end, so that October is final
    for place, month in enumerate([*MONTHS, OCTOBER.plus(1)]):
        events.append({"event_id": f"e{month}", "occurred_at": f"{month}-05 08:00", "month": str(month),
                       "device_time": f"{month}-05 08:00"})  # fmt: skip
        for area, many in outside.items():
            infusions += [
                {"infusion_id": f"{area}{month}-{k}", "care_area": area, "month": str(month),
                 "started_at": f"{month}-05 08:00", "ended_at": f"{month}-05 09:00",
                 "library_use": "bypassed" if k < many[place] else "limited"}
                for k in range(30 if place < len(many) else 0)
            ]  # fmt: skip
    return {"infusions": infusions, "events": events}


def material_of(month: Month, *, own_site: Site, share: bool = False, **given: Any) -> Material:
    con = store(**given)
    earlier = build(con, own_site, month, share=share)
    return gather(con, own_site, month, STAMP, earlier, share=share)


@pytest.fixture(scope="module")
def material() -> Material:
    return material_of(OCTOBER, own_site=own(), **drawn())


def test_limits_rest_on_the_first_months_though_they_are_not_shown(material: Material) -> None:
    before = material_of(OCTOBER.plus(-1), own_site=own(), **drawn())
    for one in (before, material):
        found = one.history("library_use_starts", "icu")
        assert len(one.months) == len(found.months) == len(found.rows) == len(found.reading.points) == 13
        assert {point.centre for point in found.reading.points} == {0.9}
        assert not any(point.in_baseline for point in found.reading.points)
        assert (
            "Limits rest on the 12 months from Sep 2024 to Aug 2025 and stand until a declared change."
            in found.reading.notes
        )
    assert before.earlier.months == tuple(map(str, MONTHS[:12]))
    assert material.history("library_use_starts", "icu").signal
    assert material.history("library_use_starts", "ward").reading.points[0].centre == 0.8
    assert material.history("library_use_starts").reading.looked_at.points == 26


def test_no_page_shows_an_earlier_month(material: Material) -> None:
    assert {row["month"] for row in (*material.by_area, *material.facility)} == set(material.months)
    assert [
        found[0] for found in material.con.execute("select month from site_months order by 1").fetchall()
    ] == (list(material.months))


def test_a_store_of_few_months_has_no_earlier_ones() -> None:
    short = {name: [row for row in rows if row["month"] >= "2026-08"] for name, rows in drawn().items()}
    found = material_of(OCTOBER, own_site=own(), **short)
    assert found.earlier.months == ()
    assert len(found.history("library_use_starts").reading.points) == 3


def test_what_the_shared_form_hides_makes_no_limit() -> None:
    """Three outside in the first months of the unit are hidden there, and so the months before are too."""
    found = material_of(OCTOBER, own_site=own(), share=True, **drawn())
    early = [row for row in found.earlier.by_area if row["measure"] == "library_use_starts"]
    assert {row["status"] for row in early if row["care_area"] == "icu" and row["month"] < "2025-09"} == {
        "hidden"
    }
    chart = found.history("library_use_starts", "icu").reading
    assert chart.points[0].centre != 0.9
    assert {row["month"] for row in found.by_area} == set(found.months)


def test_an_area_that_no_page_shows_cannot_be_worked_out_from_the_total() -> None:
    """A unit closed in August has 2 of 30 outside each month: the rest of the facility would tell them."""
    known = {"icu": [10] * 26, "ward": [12] * 26}
    counts = drawn(known)
    closed = drawn({"annex": [2] * 24})["infusions"]
    given = {**counts, "infusions": [*counts["infusions"], *(r for r in closed if r["month"] < "2026-09")]}
    found = material_of(OCTOBER, own_site=own(), share=True, **given)
    assert "annex" not in {row["care_area"] for row in (*found.by_area, *found.earlier.by_area)}
    for month in (str(MONTHS[3]), "2026-08"):
        shown = [
            row["status"]
            for row in (*found.earlier.by_area, *found.earlier.facility, *found.by_area, *found.facility)
            if row["measure"] == "library_use_starts" and row["month"] == month
        ]
        assert len(shown) == 3
        assert "hidden" in shown
    assert {r["status"] for r in found.by_area if r["month"] == "2026-10"} & {"ok"}


def test_every_chart_of_the_report_has_its_earlier_months(material: Material) -> None:
    assert set(TOGETHER) <= set(CHARTED)
    with pytest.raises(ValueError, match="user_rate_changes is not among CHARTED"):
        material.history("user_rate_changes")


def test_a_declared_change_restarts_the_measures_and_the_area_that_it_names() -> None:
    row = ChangeRow(date(2025, 11, 15), "icu", "training", True, ("library_use_starts",))
    found = material_of(OCTOBER, own_site=own(row), **drawn())
    segments = {
        (measure, area): found.history(measure, area).reading.segments
        for measure in ("library_use_starts", "library_use_hours")
        for area in ("", "icu", "ward")
    }
    (one, two) = segments.pop(("library_use_starts", "icu"))
    assert (one.last, two.first) == (1, 2)
    assert two.since == "training (2025-11-15)"
    assert all(len(others) == 1 for others in segments.values())
    assert marks_text(found, "icu") == (
        "a: training (2025-11-15, new limits from the month after: Starts under an entry)"
    )
    everything = Anew((replace(row, area=None, measures=()),), ())
    assert all(everything.of(measure, area) for measure in CHARTED for area in ("", "icu"))
    assert not Anew((replace(row, new_limits=False),), ()).of("library_use_starts", "icu")


def test_a_change_of_what_is_no_measure_is_refused_by_name(material: Material) -> None:
    wrong = own(ChangeRow(date(2026, 1, 1), None, "training", True, ("library_use",)))
    with pytest.raises(DripledgerError, match="'library_use' in the column 'measures' is no measure"):
        read_anew(material.con, wrong)


def test_an_alarm_over_no_running_hour_is_no_point_and_stops_no_report() -> None:
    """A channel that is only kept open in an area: its alarm counts, and has no hour to count over."""
    row = ChangeRow(date(2026, 5, 1), "lab", "training", False, ("delivery_alarm_rate",))
    kept = {"infusion_id": "ward2026-05-0", "care_area": "lab", "month": "2026-05"}
    given = drawn()
    given["segments"] = [{**kept, "state": "keep_open", "started_at": "2026-05-05 08:00",
                          "ended_at": "2026-05-05 10:00"}]  # fmt: skip
    given["alarms"] = [{**kept, "alarm_id": "one", "raised_at": "2026-05-05 09:00"}]
    found = material_of(
        OCTOBER, own_site=site(areas=("icu", "ward", "lab"), lists={"changes": (row,)}), **given
    )
    (own_row,) = (one for one in found.rows_of("delivery_alarm_rate", "lab") if one["month"] == "2026-05")
    assert (own_row["numerator"], own_row["denominator"]) == (1, 0)
    reading = found.history("delivery_alarm_rate", "lab").reading
    assert all(point.value is None for point in reading.points)
    (table,) = (block for block in changes_leaf(found).blocks if isinstance(block, Table))
    assert table.rows == ()


def test_limits_start_with_the_first_whole_month() -> None:
    assert first_month(date(2026, 3, 1)) == "2026-03"
    assert first_month(date(2026, 3, 2)) == "2026-04"
    assert first_month(date(2026, 12, 31)) == "2027-01"


def test_a_release_restarts_measures_of_limits_where_it_reached_them() -> None:
    """Morphine is half of what the unit programmes and a tenth of what the ward does; all of it changes."""
    limits = [{"library_version": version, "library_published_at": at, "care_area": "-", "entry": entry,
               "hard_high": high}
              for version, at, high in (("7", "2025-01-01", "10"), ("8", "2026-03-10 12:00", "12"))
              for entry in ("morphine", "heparin")]  # fmt: skip
    limits[3]["hard_high"] = "10"
    programmings = [
        {"programming_id": f"{area}{k}", "at": "2026-02-01 10:00", "month": "2026-02", "care_area": area,
         "entry": "morphine" if k < many else "heparin"}
        for area, many in (("icu", 5), ("ward", 1)) for k in range(10)
    ]  # fmt: skip
    programmings.append(
        {"programming_id": "old", "at": "2025-03-01 10:00", "month": "2025-03", "care_area": "ward"}
    )
    found = material_of(OCTOBER, own_site=own(), libraries=limits, programmings=programmings, **drawn())
    (release,) = found.anew.released
    assert release.limits == {("", "morphine")}
    assert release.reach == {"icu": (5, 10), "ward": (1, 10)}
    anew = found.anew
    what = "library 8 changed limits of entries with 50 % of the programmings of the year before (2026-03-10)"
    wanted = Restart("2026-04", what)
    for measure in OF_LIMITS:
        assert anew.of(measure, "icu") == (wanted,)
        assert anew.of(measure, "ward") == ()
        assert len(anew.of(measure)) == 1  # six of twenty
        assert [one.month for one in anew.of(measure, entry="morphine")] == ["2026-04"]
        assert anew.of(measure, entry="heparin") == ()
    for measure in set(CHARTED) - set(OF_LIMITS):
        assert anew.of(measure, "icu") == ()
    segments = found.history("protected_share", "icu").reading.segments
    assert [one.since for one in segments] == ["", wanted.what]


def test_a_release_before_anything_was_programmed_reaches_no_area() -> None:
    release = Release("8", date(2026, 3, 10), frozenset({("icu", "morphine")}), {})
    assert release.concerns("icu", None) == release.concerns("", None) == 0
    assert release.concerns("", "morphine") == 1


def test_a_card_says_first_what_holds_now_then_what_is_over_and_calls_no_whole_series_over() -> None:
    now = Found("shift", 1, (12,), "All 7 months lie above.")
    gone = Found("beyond", 1, (3,), "All 4 months are above.")
    waves = "The series moves in longer waves."

    def told(*found: Found, sentences: tuple[str, ...]) -> tuple[str, ...]:
        one = read_chart(["m"] * 13, [1] * 13, [9] * 13, Series.COUNTS, enough=[True] * 13)
        months = tuple(str(month) for month in MONTHS[:13])
        reading = replace(one, found=found, sentences=sentences)
        return _words(History("override_share", months, (), reading, (), 1.0))

    assert told(gone, now, sentences=(gone.sentence, now.sentence, waves)) == (
        now.sentence, "Earlier: all 4 months are above.",
    )  # fmt: skip
    assert told(now, sentences=(now.sentence, waves)) == (now.sentence, waves)
    assert told(sentences=(waves,)) == (waves,)
