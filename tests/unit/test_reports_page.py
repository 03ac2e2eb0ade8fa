"""The page of a month: what it says, what it must say, and that nothing of a log can act in it."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest
from tests.marks import LONG
from tests.measure_samples import site, store
from tests.report_samples import partly_built

from dripledger.events.checks import IMPLAUSIBLE
from dripledger.measures import MEASURES, Month, month_states, tabulate
from dripledger.measures.cells import MonthState
from dripledger.reports import Page, Stamp, build, compose, folder, rendering
from dripledger.reports.compose import _state_text
from dripledger.reports.first import first_page
from dripledger.reports.implausible import odd_list
from dripledger.reports.jobs import jobs
from dripledger.reports.material import gather
from dripledger.reports.model import Job
from dripledger.reports.page_html import _blocks
from dripledger.reports.quality import left_out
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


#: What the jobs are read from.
WAITING = (
    "month_state", "pump_months", "quarantine_months", "report_silent_pumps", "report_waiting_records",
    "report_waiting_reasons", "report_unmapped_labels", "report_number_gaps", "report_implausible_events",
)  # fmt: skip


def jobs_of(own: Site | None = None, **drawn: Any) -> tuple[Job, ...]:
    """List the jobs but those of what library use leaves out."""
    own = own or site(areas=("icu", "ward"), zone="Europe/Lisbon")
    con = partly_built(own, WAITING, **drawn)
    return jobs(con, str(OCTOBER), month_states(con, own)[str(OCTOBER)], ())


def first_of(**drawn: Any) -> tuple[Page, str]:
    """Compose the page, and the text of the first page that is made of it."""
    own = site(areas=("icu", "ward"), zone="Europe/Lisbon")
    con = store(**drawn)
    made = gather(con, own, OCTOBER, STAMP, build(con, own, OCTOBER))
    leaf = first_page(made, [])
    text = re.sub(r"<[^>]+>", " ", f"{leaf.lead} {_blocks(leaf)}")
    return made.page, " ".join(unescape(text).split())


def files_of(own: Site | None = None, **drawn: Any) -> dict[str, bytes]:
    own = own or site(areas=("icu", "ward"), zone="Europe/Lisbon")
    return folder.render_files(store(**(drawn or sample())), own, OCTOBER, STAMP)


def told(files: dict[str, bytes], *names: str) -> str:
    """Return the text of pages, without marks and line breaks."""
    html = " ".join(files[name].decode() for name in names)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def cells(files: dict[str, bytes], name: str, area: str) -> list[str]:
    """Return the cells of an area's line in the first table that has one."""
    rows = re.findall(r"<tr.*?</tr>", files[name].decode(), re.S)
    row = next(row for row in rows if f">{area}</a></th>" in row)
    return [re.sub(r"<[^>]+>", " ", one) for one in re.findall(r"<td.*?</td>", row, re.S)]


@pytest.fixture(scope="module")
def page() -> Page:
    return page_of()


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    return files_of()


def test_cautions_are_said(files: dict[str, bytes]) -> None:
    text = told(files, "index.html")
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


def test_thresholds_and_stamp_are_printed(files: dict[str, bytes]) -> None:
    text = told(files, "definitions.html")
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


def test_every_measure_is_defined_on_the_page(files: dict[str, bytes]) -> None:
    text = told(files, "definitions.html")
    for measure in MEASURES.values():
        assert measure.title in text
        assert all(name in text for name in measure.rows)


def test_library_use_stands_with_the_protected_share_and_its_counts(files: dict[str, bytes]) -> None:
    starts, protected = (" ".join(text.split()) for text in cells(files, "areas.html", "icu")[:2])
    assert starts.startswith("80.0 % (65.2 to 89.5) 32 of 40")
    assert "32 of 40" in protected
    text = told(files, "areas.html")
    assert "1408 of 1760" in text
    order = [text.index(words) for words in ("Starts under an entry", "limit alert", "Delivery alarms")]
    assert order == sorted(order)


def test_small_cells_show_counts_and_are_named_where_nothing_could_be_measured(
    page: Page, files: dict[str, bytes]
) -> None:
    assert cells(files, "areas.html", "ward")[0].split() == ["counts", "only", "2", "of", "3"]
    assert any(m.title == MEASURES["library_use_starts"].title and "ward" in m.where for m in page.missing)
    assert any("pumps.csv" in m.reason for m in page.missing)


def test_what_waits_for_a_person(page: Page) -> None:
    found = {job.what: (job.count, job.names) for job in page.jobs}
    assert found["record of the month waits in quarantine"] == ("1", (f"{NASTY} (1)",))
    assert found["label is not filed (1 event)"] == ("1", (f"entry: {NASTY} (1)",))
    assert found["numbered records are missing or wait unread, on 1 pump"] == ("7", ("P1 (7)",))
    assert found["event is readable and implausible"] == ("1", ("patient weight over 500 kg (1)",))


def test_a_record_that_waits_for_two_reasons_is_one_record(page: Page) -> None:
    drawn = sample()
    assert not any("several reasons" in job.how for job in page.jobs)
    drawn["quarantined"][0] |= {"reasons": ["no_number", "no_time"]}
    assert jobs_of(**sample()) == page.jobs
    job = next(job for job in jobs_of(**drawn) if job.what == "record of the month waits in quarantine")
    assert (job.count, job.names) == ("1", ("no number (1)", "no time (1)"))
    assert job.how.endswith("A record can have several reasons.")


def test_an_option_that_a_person_is_to_type_is_in_one_piece(files: dict[str, bytes]) -> None:
    assert 'again with <span class="option">--retry</span>.' in files["index.html"].decode()
    assert re.search(r"\.option \{[^}]*white-space: nowrap", files["style.css"].decode())


@pytest.mark.parametrize(
    ("told", "perhaps"),
    [({"pump_id": "-"}, True), pytest.param({}, True, marks=LONG), ({"sequence": 10}, False),
     pytest.param({"pump_id": "P2"}, False, marks=LONG),
     pytest.param({"source_name": "another"}, False, marks=LONG)],
)  # fmt: skip
def test_numbers_are_not_called_lost_where_records_wait_whose_number_cannot_be_read(
    told: dict[str, Any], perhaps: bool
) -> None:
    """A hole of 7 of P1, and one waiting record with no pump or no number: at least 6 never came."""
    drawn = sample()
    drawn["quarantined"][0] |= told
    found = {job.what: job for job in jobs_of(**drawn)}
    words = "numbered records are missing or wait unread, on 1 pump"
    job = found[words if perhaps else "numbered records are missing, on 1 pump"]
    assert (job.count, job.names) == ("7", ("P1 (7)",))
    assert job.how == (
        "1 of them may be in quarantine, where a pump or number cannot be read: see 'dripledger quarantine'. "
        "Export the stretch again while the pump still holds it."
        if perhaps
        else "Export the stretch again while the pump still holds it."
    )


def test_the_month_is_provisional_and_says_why(page: Page, files: dict[str, bytes]) -> None:
    assert not page.final
    assert "0 of 1 pumps heard in it" in page.state
    assert "Provisional." in told(files, "index.html")
    # said once, not in every cell
    assert "provisional" not in cells(files, "areas.html", "icu")[0]


def test_the_balance_is_shown_and_a_broken_one_is_an_alarm(page: Page) -> None:
    assert page.balanced
    assert (page.balance[0].read, page.balance[0].kept, page.balance[0].ignored) == ("10", "6", "2")
    broken = sample()
    broken["ingests"][0]["rows_read"] = 11
    found, first = first_of(**broken)
    assert not found.balanced
    assert "The balance does not close" in first


def test_a_month_without_an_event_is_neither_final_nor_done() -> None:
    empty, text = first_of(events=[])
    assert not empty.final
    assert "Final." not in text
    assert "Nothing waits for a person." not in text
    assert "No event of this month is in the ledger" in text
    assert (empty.jobs[0].count, empty.jobs[0].what) == ("0", "events of this month are in the ledger")


def test_every_check_of_plausibility_has_words_and_a_line(page: Page) -> None:
    own = site(zone="Europe/Lisbon")
    events = [
        {"event_id": c.name, "implausible": [c.name], "pump_id": f"P{n}", "weight_kg": "700",
         "rate_ml_h": "2500", "previous_rate_ml_h": "5", "entered_value": "500", "limit_value": "5",
         "limit_unit": "mg/h"}
        for c in IMPLAUSIBLE for n in range(3)
    ]  # fmt: skip
    found = odd_list(partly_built(own, ["report_implausible_list"], events=events), str(OCTOBER), ".")
    assert {row.what.casefold() for row in found.rows} == {c.sentence.casefold() for c in IMPLAUSIBLE}
    left = 3 * len(IMPLAUSIBLE) - len(found.rows)
    assert found.more == f"{left} more lines ({left} events) not shown here."
    values = {row.what: row.value for row in found.rows}
    assert values["The rate changed a hundredfold or more at once"] == "2500 mL/h (before it 5)"
    assert values["Entered value and limit differ a hundredfold or more"] == "500 mg/h (limit 5)"


def test_a_weight_of_1800_kg_stands_on_the_page_with_pump_date_and_shift(
    page: Page, files: dict[str, bytes]
) -> None:
    (row,) = page.odd.rows
    assert (row.what, row.value) == ("Patient weight over 500 kg", "1800 kg")
    assert (row.pump, row.date, row.shift, row.events) == ("P1", "2026-10-05", "08-16", "1")
    assert page.odd.more == ""
    assert "1800 kg" in told(files, "quality.html")


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


@pytest.mark.slow
@pytest.mark.merge
def test_the_month_before_stands_on_the_charts_and_changes_nothing_in_the_month(
    page: Page, files: dict[str, bytes]
) -> None:
    found, both = page_of(**two_months()), files_of(**two_months())
    assert "Sep 2026 18 / 30 60.0 %" in told(both, "areas/icu.html")
    assert cells(both, "areas.html", "icu")[:2] == cells(files, "areas.html", "icu")[:2]
    assert "areas/theatre.html" in both
    assert found.windows == page.windows
    assert found.odd == page.odd


def test_where_nothing_is_known_of_the_month_before_there_is_none_on_the_charts(
    files: dict[str, bytes],
) -> None:
    assert "Sep 2026" not in told(files, "areas/icu.html")


def test_the_tables_beside_the_page_hold_the_month_alone(files: dict[str, bytes]) -> None:
    own = site(areas=("icu", "ward"), zone="Europe/Lisbon")
    con = store(**two_months())
    made = gather(con, own, OCTOBER, STAMP, build(con, own, OCTOBER))
    measures = tabulate(con, own, [OCTOBER], ("care_area",), read=made.facts)
    both = {name: text.encode() for name, text in rendering._tables(made, measures).items()}
    for name in ("measures.csv", "measures_by_pump_type.csv", "infusions.csv", "implausible.csv"):
        assert files[name] == both[name], name


@pytest.mark.parametrize(
    ("pumps", "words"),
    [
        (("P1", "P2"), "whether it stood unused, or its logs"),
        pytest.param(("P1", "P2", "P3"), "whether they stood unused, or their logs", marks=LONG),
    ],
)
def test_one_pump_is_it_and_several_are_they(pumps: tuple[str, ...], words: str) -> None:
    listed = tuple(PumpRow(name, None, None, None, None, None) for name in pumps)
    own = site(areas=("icu", "ward"), zone="Europe/Lisbon", lists={"pumps": listed})
    assert any(words in job.how for job in jobs_of(own, **sample()))


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
    own = site(areas=("icu", "ward"), zone="Europe/Lisbon")
    con = partly_built(own, ["library_use_starts", "library_use_hours"], **changed)
    (text,) = left_out(con, str(OCTOBER), ".")
    assert text.startswith(
        "Left out of library use: 1 of 68 starts (1.5\u202f%) and 44.0 of 2992.0 running hours (1.5\u202f%)."
    )
    assert "[values.library_use]" in text


@pytest.mark.slow
@pytest.mark.merge
def test_the_decimal_sign_of_the_site_holds_in_notes_too() -> None:
    own = site(areas=("icu", "ward"), zone="Europe/Lisbon", report={"decimal": ","})
    changed = sample()
    changed["infusions"][0]["library_use"] = "unknown"
    starts = " ".join(cells(files_of(own, **changed), "areas.html", "icu")[0].split())
    assert starts.startswith("82,1 % (")
    assert "left out: 2,5 % not known" in starts


def test_the_page_is_a_frozen_value_and_the_same_every_time(page: Page) -> None:
    with pytest.raises(ValueError, match="frozen"):
        page.title = "x"  # type: ignore[misc]
    assert page_of() == page


def test_a_month_that_is_final_with_too_few_pumps_says_why_it_is() -> None:
    """11 of 12 is under 95 per cent: provisional in the newest month; an older one waits for nothing."""
    own = site(lists={"pumps": (PumpRow("P1", None, None, None, None, None),)})
    over = "logs go on past the month after it"
    assert over in _state_text(MonthState(12, 11), own)
    assert over not in _state_text(MonthState(20, 19), own)
