"""What the first page and the page of data quality say where there is little to say it from."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pytest
from tests.measure_samples import site
from tests.unit.test_reports_limits import OCTOBER, drawn, material_of, own
from tests.unit.test_reports_page import jobs_of

from dripledger.measures import MEASURES, ROWS, Amount
from dripledger.reports.blocks import Table, Text
from dripledger.reports.cards import card
from dripledger.reports.dashboard import _leaves
from dripledger.reports.entries import few_entries
from dripledger.reports.figures import both_counts
from dripledger.reports.first import sentences
from dripledger.reports.material import Material
from dripledger.reports.page_html import _blocks
from dripledger.reports.paper import _card
from dripledger.reports.standing import quality_leaf

pytest.importorskip("jinja2", reason="the extra [report] is not installed")


def since(month: str, only: str = "") -> dict[str, Any]:
    """Drop what lies before a month, of one area or of all."""
    return {
        name: [row for row in rows if row["month"] >= month or (only and row.get("care_area") != only)]
        for name, rows in drawn().items()
    }


def told(text: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).split())


@pytest.fixture(scope="module")
def first_month() -> Material:
    return material_of(OCTOBER, own_site=own(), **since("2026-10"))


def test_in_a_first_month_no_chart_counts_as_looked_at(first_month: Material) -> None:
    found = first_month
    reading = found.history("library_use_starts").reading
    assert reading.sentences == ("One of the months alone cannot show whether anything changed.",)
    changed, same, _ = sentences(found)
    assert changed.startswith("No chart has enough months yet to show a change")
    assert same == "Nor can anything be said to have stayed the same."


def test_with_a_second_month_charts_are_looked_at() -> None:
    changed, same, _ = sentences(material_of(OCTOBER, own_site=own(), **since("2026-09")))
    assert "3 charts were looked at" in changed
    assert "too few months" not in changed
    assert "starts under an entry" in same


def test_an_area_in_its_first_month_is_said_beside_the_charts_looked_at() -> None:
    given = {
        name: [row for row in rows if row["month"] >= "2026-09"]
        for name, rows in since("2026-10", "ward").items()
    }
    changed, _, _ = sentences(material_of(OCTOBER, own_site=own(), **given))
    assert "2 charts were looked at" in changed
    assert changed.endswith("1 more has too few months yet to show one.")


MINUTES = [name for name, (measure, _) in ROWS.items() if measure.counted is Amount.MINUTES]


def alarmed() -> dict[str, Any]:
    """Fifty infusions of 12 h and 15 min stopped by an alarm each."""
    stopped = [("running", "02:00", "08:00"), ("stopped_by_alarm", "08:00", "08:15"),
               ("running", "08:15", "14:15")]  # fmt: skip
    infusions, segments, alarms = [], [], []
    for k in range(50):
        infusions.append({"infusion_id": f"i{k}", "channel": f"c{k}", "started_at": "2026-10-05 02:00",
                          "ended_at": "2026-10-05 14:15"})  # fmt: skip
        segments += [
            {"infusion_id": f"i{k}", "channel": f"c{k}", "state": state,
             "started_at": f"2026-10-05 {begin}", "ended_at": f"2026-10-05 {end}"}
            for state, begin, end in stopped
        ]  # fmt: skip
        alarms.append({"alarm_id": f"a{k}", "channel": f"c{k}", "infusion_id": f"i{k}",
                       "raised_at": "2026-10-05 08:00", "cleared_at": "2026-10-05 08:15",
                       "ended_at": "2026-10-05 08:15"})  # fmt: skip
    return {"infusions": infusions, "segments": segments, "alarms": alarms}


@pytest.fixture(scope="module")
def lost() -> Material:
    return material_of(OCTOBER, own_site=site(), **alarmed())


def test_minutes_over_hours_are_told_in_minutes(lost: Material) -> None:
    assert {"delivery_lost", "alarm_minutes"} <= set(MINUTES)
    found = lost
    made = card(found, "delivery_lost", found.history("delivery_lost"))
    assert (made.counts.text, made.joined, made.whole.text, made.base) == (
        "750 min", "in", "600", MEASURES["delivery_lost"].base,
    )  # fmt: skip
    assert _card(made)["counts"] == "750 min in 600 running hours"
    assert both_counts(found.figure("delivery_lost")) == ("750 min", "600 h")
    assert made.picture is not None
    assert made.picture.data.rows[-1][1].text == "750 min / 600 h"
    rate = card(found, "delivery_alarm_rate", found.history("delivery_alarm_rate"))
    assert (rate.counts.text, rate.joined, rate.whole.text) == ("50", "in", "600")


def test_minutes_stand_as_minutes_on_the_pages(lost: Material) -> None:
    pages = {leaf.file: told(_blocks(leaf)) for leaf in _leaves(lost, [])}
    assert "750 min in 600 running hours" in pages["index.html"]
    assert "750 min of 600 h" in pages["areas.html"]
    for name, text in pages.items():
        assert "750 of 600" not in text, name


def test_what_waits_and_tells_no_month_waits_for_a_person_too() -> None:
    alone = {"device_time": "-", "source_file_sha256": "a file without any time"}
    waiting = [{"source_record": k, **alone} for k in range(2)]
    found = jobs_of(own(), quarantined=waiting, **since("2026-10"))
    (job,) = (job for job in found if "quarantine" in job.what)
    assert (job.count, job.what) == ("2", "records wait in quarantine whose month cannot be told")


def test_counts_of_one_kind_have_no_unit_of_their_own(first_month: Material) -> None:
    found = first_month
    assert both_counts(found.figure("library_use_starts", "ward")) == ("24", "30")
    assert card(found, "library_use_starts", found.history("library_use_starts")).joined == "of"


def waiting(*rows: tuple[str, str]) -> dict[str, Any]:
    """Records of these files and clock readings, each waiting for one reason."""
    quarantined = [
        {"source_record": place, "source_file_sha256": sha, "reasons": ["no_pump"], "device_time": read}
        for place, (sha, read) in enumerate(rows)
    ]
    return {**since("2026-09"), "quarantined": quarantined}


def why_they_wait(given: dict[str, Any]) -> tuple[Table, list[str]]:
    blocks = quality_leaf(material_of(OCTOBER, own_site=own(), **given)).blocks
    (place,) = [i for i, b in enumerate(blocks) if getattr(b, "anchor", "") == "quarantine"]
    table, nearby = blocks[place + 1], blocks[place + 2 : place + 3]
    assert isinstance(table, Table)
    return table, [b.text for b in nearby if isinstance(b, Text)]


A, B = "aa" * 32, "bb" * 32


def test_the_table_of_reasons_is_of_the_month_and_the_untold_are_said_beside() -> None:
    rows = (
        (A, "2026-10-05 08:00"),
        (A, "2026-10-06 08:00"),
        (A, "2026-08-05 08:00"),
        (A, "2019-01-01 00:00"),
    )
    table, beside = why_they_wait(waiting(*rows, (B, "-"), (B, "-")))
    assert [[cell.text for cell in row] for row in table.rows] == [["no pump", "2"]]
    assert beside == [
        "2 more records wait in quarantine whose month cannot be told; no month's figures count them."
    ]
    # a month that is not the report's is known all the same
    table, beside = why_they_wait(waiting(*rows))
    assert [[cell.text for cell in row] for row in table.rows] == [["no pump", "2"]]
    assert beside == []


@pytest.fixture(scope="module")
def nines() -> Material:
    """Eleven entries with nine overrides each."""
    attempts = [
        {"attempt_id": f"{entry:02}-{k}", "entry": f"drug {entry:02}", "outcome": "overridden",
         "first_alert_at": "2026-10-05 08:00", "decided_at": "2026-10-05 08:00"}
        for entry in range(11)
        for k in range(9)
    ]  # fmt: skip
    return material_of(OCTOBER, own_site=site(), attempts=attempts)


def overridden(nines: Material, counts: tuple[int, ...]) -> Material:
    """Leave so many of each entry."""
    attempts = nines.tables["attempts"]
    left = {f"drug {entry:02}": many for entry, many in enumerate(counts)}
    kept = pa.concat_tables(
        attempts.filter(pc.equal(attempts["entry"], entry)).slice(0, many) for entry, many in left.items()
    )
    assert kept.num_rows == sum(counts)
    return replace(nines, tables={**nines.tables, "attempts": kept})


@pytest.mark.parametrize(
    ("counts", "shown", "alike"),
    [
        ((1, 1, 1, 1, 1), 5, 0),
        ((9, 1, 1), 1, 0),
        ((6, 2, 2, 2, 1), 4, 0),
        ((1,) * 11, 8, 3),
        ((1,) * 9, 8, 1),
    ],
)
def test_entries_with_as_many_overrides_stand_together_or_are_told(
    nines: Material, counts: tuple[int, ...], shown: int, alike: int
) -> None:
    blocks = few_entries(overridden(nines, counts))
    assert sum(len(block.rows) for block in blocks if isinstance(block, Table)) == shown
    text = " ".join(block.text for block in blocks if isinstance(block, Text))
    said = re.search(r"(\d+) entr(?:y has|ies have) as many overrides as the last of these \(1\)", text)
    assert (int(said[1]) if said else 0) == alike
