"""Which review closes which case, and what stands beside a case in the lists."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from tests.measure_samples import site
from tests.report_samples import partly_built
from tests.unit.test_reports_limits import material_of
from tests.unit.test_reports_warnings import OCTOBER, sample

from dripledger.lists import ReviewRow
from dripledger.reports.blocks import Heading, Table, Text
from dripledger.reports.case_list import CaseRow, case_lines, read_cases
from dripledger.reports.first import cases_page
from dripledger.reports.quality import left_out
from dripledger.schema import EVENT_KINDS
from dripledger.site import EntryRow, Site

pytest.importorskip("jinja2", reason="the extra [report] is not installed")


def dispositions(drawn: dict[str, Any], case: str) -> dict[str, str]:
    """Return what stands at each case once `case` was reviewed."""
    lists = {
        "entries": (EntryRow("insulin", True, ()),),
        "reviews": (ReviewRow(case, "intended", date(2026, 11, 1), 2),),
    }
    own = site(zone="Europe/Lisbon", lists=lists)
    return {one.case_id: one.disposition for one in cases_of(own, **drawn)}


def cases_of(own: Site, **drawn: Any) -> tuple[CaseRow, ...]:
    """Read the cases of October alone, without the report around them."""
    return read_cases(partly_built(own, ["report_warnings", "report_moments"], **drawn), own)


def at_once() -> dict[str, Any]:
    """The first limit alert of a far override stands in the second of a sixfold change of the channel."""
    drawn = sample()
    drawn["attempts"][0].update({"first_alert_at": "2026-10-05 03:12:45"})
    drawn["events"][0].update({"occurred_at": "2026-10-05 03:12:45"})
    return drawn


def test_a_review_closes_its_case_and_no_other_of_that_second() -> None:
    for reviewed in ("far0", "c"):
        found = dispositions(at_once(), reviewed)
        assert {case for case, what in found.items() if what} == {reviewed}
        assert {"far0", "c", "s", "left"} <= set(found)


def test_the_event_of_a_whole_pump_stands_for_each_channel() -> None:
    drawn = sample()
    drawn["infusions"].append({**drawn["infusions"][0], "infusion_id": "i2", "channel": "B"})
    drawn["segments"] += [{**segment, "infusion_id": "i2", "channel": "B"} for segment in drawn["segments"]]
    drawn["events"][3]["channel"] = "()"
    assert {c: w for c, w in dispositions(drawn, "s").items() if c.startswith("s")} == {
        "s:A": "intended", "s:B": "intended",
    }  # fmt: skip
    assert {c: w for c, w in dispositions(drawn, "s:B").items() if c.startswith("s")} == {
        "s:A": "", "s:B": "intended",
    }  # fmt: skip


def test_a_change_that_no_event_tells_goes_by_its_infusion() -> None:
    drawn = sample()
    drawn["events"][2]["kind"] = "key_pressed"
    assert dispositions(drawn, "i1")["i1"] == "intended"


def test_what_sources_do_not_record_is_said_in_words() -> None:
    drawn = sample()
    drawn["ingests"] = [
        {"source_name": "wards", "records_json": '["rate_changed"]', "source_file_sha256": "g"}
    ]
    con = partly_built(site(zone="Europe/Lisbon"), ["library_use_starts", "library_use_hours"], **drawn)
    told = " ".join(left_out(con, "2026-10", "."))
    assert "Their sources do not record starts" in told
    assert not [kind for kind in EVENT_KINDS if "_" in kind and kind in told]


def test_of_many_open_cases_the_newest_are_shown_and_all_stand_in_a_table() -> None:
    drawn = sample()
    drawn["attempts"] += [
        {**drawn["attempts"][0], "attempt_id": f"old{day}-{k}", "month": "2026-09",
         "first_alert_at": f"2026-09-{day:02} 08:00:00"}
        for day in range(1, 31) for k in range(9)
    ]  # fmt: skip
    drawn["events"].append({"event_id": "in september", "occurred_at": "2026-09-05 08:00:00"})
    found = material_of(OCTOBER, own_site=site(zone="Europe/Lisbon"), **drawn)
    blocks = cases_page(found).blocks
    place = next(i for i, b in enumerate(blocks) if isinstance(b, Heading) and b.anchor == "open")
    table, after = blocks[place + 1 : place + 3]
    assert isinstance(table, Table)
    assert isinstance(after, Text)
    days = [row[0].text for row in table.rows]
    assert (len(days), days[0], days[-1]) == (250, "2026-09-30", "2026-09-03")
    assert "20 older ones stand in the table" in after.text
    names, lines = case_lines(found.cases, "2026-10")
    assert len(lines) == 270 + sum(case.month == "2026-10" for case in found.cases)
    assert len({line[names.index("case_id")] for line in lines}) == len(lines)


def test_a_review_of_what_names_no_case_is_told_on_the_page() -> None:
    drawn = sample()
    drawn["events"].append({"event_id": "end", "kind": "infusion_stopped"})
    made = material_of(OCTOBER, own_site=site(zone="Europe/Lisbon"), **drawn)
    for case, astray in (("end", True), ("nowhere", True), ("c", False), ("s:B", False)):
        reviews = (ReviewRow(case, "slip", date(2026, 11, 1), 2),)
        own = site(zone="Europe/Lisbon", lists={"reviews": reviews})
        blocks = cases_page(replace(made, site=own, cases=read_cases(made.con, own))).blocks
        told = [b.text for b in blocks if isinstance(b, Text) and "reviews.csv names" in b.text]
        assert bool(told) is astray, case


def test_how_far_says_on_which_side() -> None:
    drawn = sample()
    drawn["attempts"][1].update({"limit_side": "low", "limit_multiple": "1.66"})
    size = {case.case_id: case.size for case in cases_of(site(zone="Europe/Lisbon"), **drawn)}
    assert (size["far0"], size["left"]) == ("10 times the limit", "1/1.66 of the limit")
