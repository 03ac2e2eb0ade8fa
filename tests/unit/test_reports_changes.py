"""Before and after declared changes, and areas after allowing for their mix of entries."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import replace
from datetime import date
from decimal import Decimal
from itertools import islice
from typing import Any

import numpy as np
import pytest
from scipy import stats
from tests.measure_samples import site, store
from tests.report_samples import STAMP

from dripledger.measures import Month, tabulate
from dripledger.reports.blocks import Bullets, Heading, Picture, Table, Text
from dripledger.reports.cards import changes_block
from dripledger.reports.change_months import CSV_NAME, change_months
from dripledger.reports.changes import changes_leaf, shown_changes, sides
from dripledger.reports.compose import build
from dripledger.reports.dashboard import _leaves, compose_dashboard
from dripledger.reports.material import Material, gather
from dripledger.reports.mixes import mix_blocks
from dripledger.reports.page_html import render_leaves
from dripledger.reports.tables import as_csv
from dripledger.site import ChangeRow
from dripledger.statistics import newcombe, rate_ratio

#: Six months before and five after, all alike: chance alone, told by nine months less the two values.
LEVEL = 2 * float(stats.norm.cdf(stats.t.ppf(0.975, 9))) - 1

MONTHS = [Month(2025, 11).plus(k) for k in range(12)]
OCTOBER = Month(2026, 10)
CHANGES = (
    ChangeRow(date(2026, 5, 9), "ward", "training", False, ("override_share", "library_use_starts")),
    ChangeRow(date(2026, 10, 3), None, "release 8"),
    ChangeRow(date(2026, 6, 1), None, "go-live"),
    ChangeRow(date(2020, 1, 1), None, "long ago"),
)


def drawn() -> dict[str, Any]:
    """Thirty starts a month and area; of the ward's 12, from June on 3 are outside the library."""
    found: dict[str, list[dict[str, Any]]] = {"infusions": [], "events": [], "segments": [], "alarms": []}
    found |= {"programmings": [], "attempts": []}
    met = Counter[str]()
    for month in MONTHS:
        late = str(month) >= "2026-06"
        for area in ("icu", "ward"):
            outside = 0 if area == "icu" else 3 if late else 12
            for k in range(30):
                name = f"{area}{month}-{k}"
                common = {"infusion_id": name, "care_area": area, "month": str(month),
                          "library_use": "bypassed" if k < outside else "limited",
                          "started_at": f"{month}-05 08:00", "ended_at": f"{month}-06 18:00"}  # fmt: skip
                found["infusions"].append(common)
                found["segments"].append({**common, "channel": str(k)})
                # the unit runs heparin, whose warnings are mostly confirmed; the ward morphine, where few are
                entry = "heparin" if (k % 10 == 0) == (area == "ward") else "morphine"
                at = f"{month}-05 08:00"
                place = {"care_area": area, "entry": entry, "month": str(month), "infusion_id": name}
                found["programmings"].append(
                    {
                        **place,
                        "programming_id": f"p{name}",
                        "at": f"{month}-05 08:00",
                        "attempt_id": f"a{name}",
                    }
                )
                met[entry] += 1
                confirmed = (met[entry] % 5 == 0) == (entry == "morphine")
                found["attempts"].append(
                    {**place, "attempt_id": f"a{name}", "first_alert_at": at,
                     "outcome": "overridden" if confirmed else "within_limits"}
                )  # fmt: skip
            found["alarms"] += [
                {"alarm_id": f"l{area}{month}-{k}", "infusion_id": f"{area}{month}-0", "care_area": area,
                 "month": str(month), "channel": "0", "raised_at": f"{month}-05 09:0{k}"}
                for k in range(4 if late else 2)
            ]  # fmt: skip
    found["events"] = [
        {"event_id": f"e{month}", "occurred_at": f"{month}-05 08:00", "device_time": f"{month}-05 08:00",
         "month": str(month)}
        for month in [*MONTHS, OCTOBER.plus(1)]
    ]  # fmt: skip
    return found


@pytest.fixture(scope="module")
def material() -> Material:
    own = site(areas=("icu", "ward"), lists={"changes": CHANGES})
    con = store(**drawn())
    earlier = build(con, own, OCTOBER)
    return gather(con, own, OCTOBER, STAMP, earlier)


def tables(material: Material) -> dict[str, Table]:
    found, name = {}, ""
    for block in changes_leaf(material).blocks:
        if isinstance(block, Heading):
            name = block.text
        if isinstance(block, Table):
            found[name] = block
    return found


def test_changes_of_the_months_shown_stand_in_order_of_time(material: Material) -> None:
    assert [row.what for row in shown_changes(material)] == ["training", "go-live", "release 8"]
    headings = [b.text for b in changes_leaf(material).blocks if isinstance(b, Heading)]
    assert headings == [
        "training, ward: 2026-05-09", "go-live: 2026-06-01", "release 8: 2026-10-03",
        "What such a comparison cannot exclude",
    ]  # fmt: skip


def words_under(material: Material, heading: str) -> str:
    found, here = [], False
    for block in changes_leaf(material).blocks:
        here = block.text == heading if isinstance(block, Heading) else here
        if here and isinstance(block, Text):
            found.append(block.text)
    return " ".join(found)


def test_what_else_was_changed_in_these_months_is_named(material: Material) -> None:
    """The go-live of June lies in the training's months after, and touches the ward as well."""
    told = words_under(material, "training, ward: 2026-05-09")
    assert "Also declared in these months: go-live (2026-06-01)" in told
    assert "long ago" not in told
    assert "Also declared in these months: training, ward (2026-05-09)" in words_under(
        material, "go-live: 2026-06-01"
    )
    lists = {"changes": (replace(CHANGES[0], area="icu"), CHANGES[0])}
    apart = replace(material, site=site(areas=("icu", "ward"), lists=lists))
    assert "Also declared" not in words_under(apart, "training, ward: 2026-05-09")


def test_measures_that_a_change_names_and_no_chart_has_are_told(material: Material) -> None:
    row = ChangeRow(date(2026, 5, 9), None, "reminder", False, ("quarantine_share",))
    told = words_under(replace(material, site=site(lists={"changes": (row,)})), "reminder: 2026-05-09")
    assert "It names Records in quarantine" in told
    assert "so the usual measures stand here" in told


def test_a_provisional_month_is_in_no_comparison_of_areas(material: Material) -> None:
    state = {**material.states, "2026-10": replace(material.states["2026-10"], provisional=True)}
    found = mix_blocks(replace(material, states=state))
    assert any("Nov 2025 to Sep 2026" in block.text for block in found if isinstance(block, Text))
    seen = [
        sum(float(line[1].value or 0) for line in picture.data.rows)
        for blocks in (mix_blocks(material), found)
        for picture in blocks
        if isinstance(picture, Picture)
    ]
    assert seen[2] == seen[0] * 11 / 12
    every = {name: replace(state, provisional=True) for name, state in material.states.items()}
    none = mix_blocks(replace(material, states=every))
    assert not [block for block in none if isinstance(block, Picture)]
    assert any("No month is final" in block.text for block in none if isinstance(block, Text))


def test_sides_are_whole_final_months_and_six_at_most(material: Material) -> None:
    before, after = sides(material, date(2026, 5, 9))
    assert (before[0], before[-1], len(before)) == ("2025-11", "2026-04", 6)
    assert after == ["2026-06", "2026-07", "2026-08", "2026-09", "2026-10"]
    before, after = sides(material, date(2026, 3, 1))
    assert (before[-1], after[0], after[-1]) == ("2026-02", "2026-03", "2026-08")
    state = {**material.states, "2026-10": replace(material.states["2026-10"], provisional=True)}
    assert sides(replace(material, states=state), date(2026, 5, 9))[1][-1] == "2026-09"


def test_a_change_of_an_area_compares_that_area_in_the_measures_that_it_names(material: Material) -> None:
    lines = tables(material)["training, ward: 2026-05-09"].rows
    assert [line[0].text for line in lines] == ["Soft-limit attempts overridden", "Starts under an entry"]
    _, before, after, told = lines[1]
    assert [[count.text for count in cell.counts or ()] for cell in (before, after)] == [
        ["108", "180"], ["135", "150"],
    ]  # fmt: skip
    low, high = (100 * float(limit) for limit in newcombe(135, 150, 108, 180, LEVEL))
    assert told.text.startswith(
        "After this change the share was 30.0 points higher "
        f"(95 % interval {low:.1f} to {high:.1f} points). Chance alone hardly explains it"
    )


def test_a_change_of_all_compares_shares_and_rates_of_the_facility(material: Material) -> None:
    table = tables(material)["go-live: 2026-06-01"]
    lines = {line[0].text: line for line in table.rows}
    assert set(lines) == {
        "Starts under an entry", "Programmings with a soft limit alert", "Soft-limit attempts overridden",
        "Delivery alarms per 100 running hours",
    }  # fmt: skip
    _, before, after, told = lines["Delivery alarms per 100 running hours"]
    hours = 60 * 34
    # December to May against June to October: 4 alarms a month, then 8
    for cell, counts in ((before, (24, 6 * hours)), (after, (40, 5 * hours))):
        assert tuple(int(re.sub(r"\s", "", count.text)) for count in cell.counts or ()) == counts
    limits = rate_ratio(40, 5 * hours, 24, 6 * hours, LEVEL)
    assert f"2.00 times the rate before (95 % interval {float(limits.low):.2f} to" in told.text


@pytest.fixture(scope="module")
def files(material: Material) -> dict[str, str]:
    """Render the pages, and the tables that stand beside them."""
    month, by_area = [material.month], ("care_area",)
    measures = tabulate(material.con, material.site, month, by_area, read=material.facts)
    whole = tabulate(material.con, material.site, month, (), read=material.facts)
    return {
        **dict(render_leaves(compose_dashboard(material, [], measures))),
        "measures.csv": as_csv(measures),
        "measures_facility.csv": as_csv(whole),
        CSV_NAME: as_csv(change_months(material)),
    }


def test_the_letters_of_charts_are_told_on_every_page_that_has_them(files: dict[str, str]) -> None:
    pages = [name for name, text in files.items() if '<article class="card' in text]
    assert {"index.html", "alarms.html", "library.html"} < set(pages)
    assert any(name.startswith("areas/") for name in pages)
    assert any(name.startswith("entries/") for name in pages)
    for name in pages:
        assert "<b>Declared changes.</b> a: " in files[name], name
    assert 'href="library.html"' not in files["library.html"].partition("<h1")[2], "a page leads to others"


def test_every_figure_opens_the_months_that_add_up_to_it(files: dict[str, str]) -> None:
    """The page's links are walked; its months are added up, and each is the month's own figure."""
    told = [
        (href.partition("#"), int(re.sub(r"\s", "", counted)), int(re.sub(r"\s", "", of)))
        for href, counted, same, of in re.findall(
            r'<span class="note"><a href="([^"]+)">([^<]+)</a> of <a href="([^"]+)">([^<]+)</a></span>',
            files["changes.html"],
        )
        if href == same
    ]
    # two changes are compared, one in the two measures that it names, one in all that there are
    assert len(told) == 2 * (2 + 4)
    assert " of <" not in re.sub(r'<span class="note"><a .*?</span>', "", files["changes.html"])
    listed = list(csv.DictReader(files["lists/changes.csv"].splitlines()))
    months = {
        (r["measure"], r["month"], r["area"]): (r["numerator"], r["denominator"]) for r in listed
    }  # fmt: skip
    for (page, _, side), counted, of in told:
        part = files[page].partition(f'id="{side}"')[2].partition("<h2")[0]
        rows = [
            [re.sub(r"<[^>]+>|\s", "", cell) for cell in re.findall(r"<t[hd][^>]*>.*?</t[hd]>", row)]
            for row in re.findall(r"<tr[^>]*>.*?</tr>", part, re.S)[1:]
        ]
        assert [sum(int(row[place]) for row in rows[:-1]) for place in (1, 2)] == [counted, of]
        assert [int(text) for text in rows[-1][1:]] == [counted, of]
        number, _, measure = page.removeprefix("lists/change-").removesuffix(".html").partition("-")
        change = shown_in_order()[int(number)]
        mine = [
            r for r in listed
            if (r["measure"], r["side"], r["what"]) == (measure, side, change.what)
        ]  # fmt: skip
        assert [sum(Decimal(r[key]) for r in mine) for key in ("numerator", "denominator")] == [counted, of]
    # the month of the report: its counts are those of its own table, and open its own lists
    for which, area_of in (("measures.csv", "ward"), ("measures_facility.csv", "")):
        for r in csv.DictReader(files[which].splitlines()):
            key = (r["measure"], "2026-10", area_of)
            if r.get("care_area", "") == area_of and key in months:
                assert tuple(map(Decimal, months[key])) == (
                    Decimal(r["numerator"]),
                    Decimal(r["denominator"]),
                )
    own_month = files["lists/change-0-library_use_starts.html"]
    assert re.search(r'href="\.\./lists/library_use_starts-ward[\w-]*\.html#counted">27<', own_month)


def shown_in_order() -> list[ChangeRow]:
    return sorted((c for c in CHANGES if c.date.year > 2020), key=lambda c: c.date)


def test_what_cannot_be_excluded_stands_once(material: Material) -> None:
    (told,) = (block for block in changes_leaf(material).blocks if isinstance(block, Bullets))
    assert len(told.items) == len(set(told.items))
    text = " ".join(told.items)
    for word in ("season", "trend", "regression to the mean", "clusters", "months of either side differ"):
        assert word in text


def test_nothing_is_compared_before_a_whole_month_has_passed(material: Material) -> None:
    texts = [block.text for block in changes_leaf(material).blocks if isinstance(block, Text)]
    assert "No whole month that is final has passed since, so nothing is compared." in texts


def test_the_page_is_there_where_a_change_is_and_never_in_the_shared_form(material: Material) -> None:
    def files(one: Material) -> set[str]:
        return {leaf.file for leaf in islice(_leaves(one, []), 3)}

    assert "changes.html" in files(material)
    (told,) = changes_block(material)
    assert isinstance(told, Text)
    assert told.href == "changes.html"
    (told,) = changes_block(replace(material, share=True))
    assert isinstance(told, Text)
    assert told.href == ""
    assert "changes.html" not in files(replace(material, share=True))
    assert "changes.html" not in files(replace(material, site=replace(material.site, changes=())))


def test_areas_that_treat_each_entry_alike_do_not_stand_out_by_their_mix(material: Material) -> None:
    """The unit overrides most warnings and the ward few, because they run different drugs."""
    rows = {area: material.figure("override_share", area).share for area in ("icu", "ward")}
    assert rows["icu"] > 0.7  # type: ignore[operator]
    assert rows["ward"] < 0.35  # type: ignore[operator]
    pictures = [block for block in mix_blocks(material) if isinstance(block, Picture)]
    assert [one.name for one in pictures] == ["mix-soft-alert-share", "mix-override-share"]
    for area, seen, _, ratio, _, beyond in pictures[1].data.rows:
        assert float(ratio.text) == pytest.approx(1, abs=0.06)
        assert beyond.text == ""
        assert int(seen.text) == sum(
            int(row["numerator"]) for row in material.rows_of("override_share", area.text)
        )
    assert any(
        isinstance(b, Text) and b.text == "No area lies beyond the 99.8 % limits."
        for b in mix_blocks(material)
    )
    assert not any(np.isnan(row[2].value) for row in pictures[1].data.rows)  # type: ignore[arg-type]
