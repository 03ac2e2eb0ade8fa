"""The page of a month: what it says, what it must say, and that nothing of a log can act in it."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import Any

import pytest
from tests.measure_samples import site, store

from dripledger.events.checks import IMPLAUSIBLE
from dripledger.measures import MEASURES, Month
from dripledger.reports import Page, Stamp, build, compose, folder, render_html
from dripledger.reports.model import AreaRow
from dripledger.reports.plot import interval_plot
from dripledger.site import PumpRow, Site

pytest.importorskip("jinja2", reason="the extra [report] is not installed")

STAMP = Stamp(
    facility="Fennmoor General",
    time_zone="Europe/Lisbon",
    store_version=3,
    committed_on="2026-11-02",
    code_version="0.1.0",
    definitions_version="1",
    declarations_sha256="ab" * 32,
)
NASTY = "<script>alert('x')</script>"


def sample() -> dict[str, Any]:
    """A small month: two areas, one of them named by a log that means no good."""
    infusions, segments = [], []
    for area, many in (("icu", 40), (NASTY, 25), ("ward", 3)):
        for k in range(many):
            row = {
                "infusion_id": f"{area}-{k}", "care_area": area, "channel": f"{area}{k}",
                "library_version": "7", "library_use": "bypassed" if k % 5 == 0 else "limited",
                "started_at": "2026-10-05 03:12:45", "ended_at": "2026-10-06 23:12:45",
            }  # fmt: skip
            infusions.append(row)
            segments.append({k2: v for k2, v in row.items() if k2 != "library_version"})
    return {
        "infusions": infusions,
        "segments": segments,
        "events": [
            {"sequence": "1", "occurred_at": "2026-10-05 03:12:45", "device_time": "2026-10-05 03:12:45"},
            {
                "sequence": "9",
                "unmapped": ["entry"],
                "entry_logged": NASTY,
                "implausible": ["weight_over_500_kg"],
                "weight_kg": "1800",
            },
        ],
        "quarantined": [{"source_record": 7, "reasons": [NASTY], "device_time": "2026-10-05 08:00"}],
        "ingests": [
            {"rows_read": 10, "events_kept": 6, "duplicates": 1, "quarantined": 1, "rows_ignored": 2}
        ],
        "libraries": [{"entry": "morphine", "care_area": "-", "hard_high": "10"}],
    }


OCTOBER = Month(2026, 10)


def page_of(own: Site | None = None, **drawn: Any) -> Page:
    own = own or site(areas=("icu", "ward"), zone="Europe/Lisbon")
    con = store(**(drawn or sample()))
    build(con, own, OCTOBER)
    return compose(con, own, OCTOBER, STAMP)


def area(page: Page, name: str) -> AreaRow:
    return next(row for row in page.areas if row.area == name)


@pytest.fixture(scope="module")
def page() -> Page:
    return page_of()


@pytest.fixture(scope="module")
def html(page: Page) -> str:
    return render_html(page)


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.open: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        if tag != "meta":
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.text.append(data)


@pytest.fixture(scope="module")
def tags(html: str) -> _Tags:
    parser = _Tags()
    parser.feed(html)
    parser.close()
    return parser


def test_every_element_is_closed_in_its_place(tags: _Tags) -> None:
    assert tags.open == []


def test_what_a_log_wrote_is_text_and_nothing_else(html: str, tags: _Tags) -> None:
    assert "script" not in tags.tags
    assert "<script" not in html
    assert "".join(tags.text).count(NASTY) >= 3


def test_the_page_loads_nothing_and_runs_nothing(html: str, tags: _Tags) -> None:
    policy = "default-src 'none'; style-src 'self' 'unsafe-inline'; img-src 'self'"
    assert f'content="{policy}"' in html
    assert not [value for name, value in tags.attributes if name.startswith("on")]
    assert not re.search(r"(https?:)?//|@import|url\(", html)
    links = [value for name, value in tags.attributes if name == "href"]
    assert all(
        link and (link.startswith("#") or re.fullmatch(r"[a-z_]+\.(csv|json)", link)) for link in links
    )


def test_no_clock_time_stands_on_the_page(tags: _Tags) -> None:
    assert not re.search(r"\b\d{1,2}:\d{2}\b", " ".join(tags.text))


def test_cautions_are_said(tags: _Tags) -> None:
    text = " ".join(" ".join(tags.text).split())
    for words in (
        "For quality improvement",
        "Not for decisions at the bedside",
        "pharmacists and licensed clinicians under its policy and local law",
        "as selected at the pump",
        "may still be personal data",
        "not what reached the vein",
        "not about persons",
    ):
        assert words in text, words


def test_thresholds_and_stamp_are_printed(tags: _Tags) -> None:
    text = " ".join(" ".join(tags.text).split())
    for words in (
        "up to 15 min",
        "up to 60 min",
        "under 30 s",
        "from 20 of them",
        "over 7 days",
        "over 10 min",
        "10 infusions and 500 h",
        "from 95 % of pumps heard after it",
    ):
        assert words in text, words
    assert "Store version 3, committed on 2026-11-02" in text
    assert "dripledger 0.1.0" in text
    assert "Europe/Lisbon" in text


def test_every_measure_is_defined_on_the_page(tags: _Tags) -> None:
    text = " ".join(tags.text)
    for measure in MEASURES.values():
        assert measure.title in text
        assert all(name in text for name in measure.rows)


def test_library_use_stands_with_protected_share_and_says_what_belongs_with_it(page: Page, html: str) -> None:
    icu = area(page, "icu")
    assert (icu.area, icu.starts.counts, icu.starts.value) == ("icu", "32 / 40", "80.0\u202f%")
    assert icu.protected.counts == "32 / 40"
    assert icu.hours.counts == "1408 / 1760"
    assert page.belongs_here == ("Number of limits changed between library versions",)
    assert "belong beside library use" in html
    assert html.index('id="library"') < html.index('id="limits"') < html.index('id="alarms"')


def test_small_cells_show_counts_and_are_named_where_nothing_could_be_measured(page: Page) -> None:
    ward = area(page, "ward")
    assert (ward.starts.status, ward.starts.value, ward.starts.counts) == ("small", "", "2 / 3")
    assert any(m.title == MEASURES["library_use_starts"].title and "ward" in m.where for m in page.missing)
    assert any("pumps.csv" in m.reason for m in page.missing)


def test_what_waits_for_a_person(page: Page) -> None:
    told = {job.what: (job.count, job.names) for job in page.jobs}
    assert told["record of the month waits in quarantine"] == ("1", (f"{NASTY} (1)",))
    assert told["label is not filed (1 event)"] == ("1", (f"entry: {NASTY} (1)",))
    assert told["numbered records are missing, on 1 pump"] == ("7", ("P1 (7)",))
    assert told["event is readable and implausible"] == ("1", ("patient weight over 500 kg (1)",))


def test_the_month_is_provisional_and_says_why(page: Page, html: str) -> None:
    assert not page.final
    assert "0 of 1 pumps heard in it" in page.state
    assert "Provisional." in html
    # said once, not in every cell
    assert area(page, "icu").starts.reason == ""


def test_the_balance_is_shown_and_a_broken_one_is_an_alarm(page: Page) -> None:
    assert page.balanced
    assert (page.balance[0].read, page.balance[0].kept, page.balance[0].ignored) == ("10", "6", "2")
    broken = sample()
    broken["ingests"][0]["rows_read"] = 11
    assert not (found := page_of(**broken)).balanced
    assert "The balance does not close" in render_html(found)


def test_an_empty_month_is_a_page_too() -> None:
    empty = page_of(events=[])
    html = render_html(empty)
    assert empty.plot is None
    assert "none" in html


def test_a_month_without_an_event_is_neither_final_nor_done() -> None:
    empty = page_of(events=[])
    html = render_html(empty)
    assert not empty.final
    assert "Final." not in html
    assert "Nothing waits for a person." not in html
    assert "No event of this month is in the ledger" in html
    assert (empty.jobs[0].count, empty.jobs[0].what) == ("0", "events of this month are in the ledger")


def test_every_check_of_plausibility_has_words_and_a_line(page: Page) -> None:
    con = store(
        events=[
            {"event_id": c.name, "implausible": [c.name], "pump_id": f"P{n}", "weight_kg": "700",
             "rate_ml_h": "2500", "previous_rate_ml_h": "5", "entered_value": "500", "limit_value": "5",
             "limit_unit": "mg/h"}
            for c in IMPLAUSIBLE for n in range(3)
        ]
    )  # fmt: skip
    build(con, site(zone="Europe/Lisbon"), OCTOBER)
    found = compose(con, site(zone="Europe/Lisbon"), OCTOBER, STAMP).odd
    assert {row.what.casefold() for row in found.rows} == {c.sentence.casefold() for c in IMPLAUSIBLE}
    left = 3 * len(IMPLAUSIBLE) - len(found.rows)
    assert found.more == f"{left} more lines ({left} events) not shown here."
    values = {row.what: row.value for row in found.rows}
    assert values["The rate changed a hundredfold or more at once"] == "2500 mL/h (before it 5)"
    assert values["Entered value and limit differ a hundredfold or more"] == "500 mg/h (limit 5)"


def test_a_weight_of_1800_kg_stands_on_the_page_with_pump_date_and_shift(page: Page, html: str) -> None:
    (row,) = page.odd.rows
    assert (row.what, row.value) == ("Patient weight over 500 kg", "1800 kg")
    assert (row.pump, row.date, row.shift, row.events) == ("P1", "2026-10-05", "08-16", "1")
    assert page.odd.more == ""
    assert "1800 kg" in html


def two_months() -> dict[str, Any]:
    drawn = sample()
    for k in range(30):
        drawn["infusions"].append(
            {"infusion_id": f"s{k}", "care_area": "icu", "started_at": "2026-09-05 03:12:45",
             "month": "2026-09", "library_use": "bypassed" if k < 12 else "limited"}
        )  # fmt: skip
    drawn["infusions"].append(
        {"infusion_id": "x", "care_area": "theatre", "started_at": "2026-09-05 03:12:45", "month": "2026-09"}
    )
    drawn["events"].append(
        # switched off again: from the September event to the October ones the pump was not on
        {"occurred_at": "2026-09-05 03:12:45", "device_time": "2026-09-05 03:12:45", "month": "2026-09",
         "implausible": ["rate_negative"], "kind": "powered_off"}
    )  # fmt: skip
    return drawn


def test_the_month_before_stands_beside_the_month_and_changes_nothing_in_it(page: Page) -> None:
    found = page_of(**two_months())
    assert found.before_name == "September 2026"
    row = area(found, "icu")
    assert (row.before.counts, row.before.value) == ("18 / 30", "60.0\u202f%")
    assert (row.starts, row.hours, row.protected) == (
        area(page, "icu").starts, area(page, "icu").hours, area(page, "icu").protected,
    )  # fmt: skip
    assert area(found, "theatre").starts.status == "no_data"
    assert area(found, "theatre").before.counts == "1 / 1"
    assert found.windows == page.windows
    assert found.odd == page.odd
    assert "The same in September 2026" in render_html(found)


def test_where_nothing_is_known_of_the_month_before_there_is_no_column(page: Page, html: str) -> None:
    assert page.before_name == ""
    assert "The same in" not in html


def test_the_tables_beside_the_page_hold_the_month_alone() -> None:
    own = site(areas=("icu", "ward"), zone="Europe/Lisbon")
    one, both = (
        folder.render_files(store(**drawn), own, OCTOBER, STAMP) for drawn in (sample(), two_months())
    )
    for name in ("measures.csv", "measures_by_pump_type.csv", "infusions.csv", "implausible.csv"):
        assert one[name] == both[name], name


@pytest.mark.parametrize(
    ("pumps", "words"),
    [
        (("P1", "P2"), "whether it stood unused, or its logs"),
        (("P1", "P2", "P3"), "whether they stood unused, or their logs"),
    ],
)
def test_one_pump_is_it_and_several_are_they(pumps: tuple[str, ...], words: str) -> None:
    listed = tuple(PumpRow(name, None, None, None, None, None) for name in pumps)
    own = site(areas=("icu", "ward"), zone="Europe/Lisbon", lists={"pumps": listed})
    assert any(words in job.how for job in page_of(own, **sample()).jobs)


def test_what_no_area_is_stands_explained_where_it_occurs(page: Page) -> None:
    assert page.no_area_notes == ()
    changed = sample()
    changed["infusions"][0]["care_area"] = "-"
    (note,) = page_of(**changed).no_area_notes
    assert note.startswith("None selected: no care area was chosen at the pump.")


def test_what_library_use_leaves_out_is_said_with_its_share(page: Page) -> None:
    assert page.left_out == ()
    changed = sample()
    for row in (changed["infusions"][0], changed["segments"][0]):
        row["library_use"] = "unknown"
    (told,) = page_of(**changed).left_out
    assert told.startswith(
        "Left out of library use: 1 of 68 starts (1.5\u202f%) and 44.0 of 2992.0 running hours (1.5\u202f%)."
    )
    assert "[values.library_use]" in told


def test_the_decimal_sign_of_the_site_holds_in_notes_too() -> None:
    own = site(areas=("icu", "ward"), zone="Europe/Lisbon", report={"decimal": ","})
    changed = sample()
    changed["infusions"][0]["library_use"] = "unknown"
    row = area(page_of(own, **changed), "icu")
    assert row.starts.value == "82,1\u202f%"
    assert "2,5\u202f%" in row.starts.reason


def test_the_plot_holds_every_interval_and_has_a_text(page: Page) -> None:
    plot = interval_plot(page.areas)
    assert plot is not None
    marks = [m for row in plot.rows for m in (row.starts, row.hours) if m]
    assert all(0 <= m.low <= m.at <= m.high <= 1 for m in marks if m.low is not None and m.high is not None)
    assert "icu: starts 80.0\u202f% (65.2 to 89.5), hours" in plot.description
    assert "ward" not in plot.description


def test_what_is_no_care_area_stays_out_of_the_plot() -> None:
    changed = sample()
    for row in changed["infusions"] + changed["segments"]:
        row["care_area"] = {NASTY: "-"}.get(row["care_area"], row["care_area"])
    found = page_of(**changed)
    assert area(found, "none selected").starts.value
    assert found.plot is not None
    assert [row.label for row in found.plot.rows] == ["icu"]


def test_the_page_is_a_frozen_value_and_the_same_every_time(page: Page, html: str) -> None:
    with pytest.raises(ValueError, match="frozen"):
        page.title = "x"  # type: ignore[misc]
    assert render_html(page_of()) == html
