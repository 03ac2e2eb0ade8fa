"""Every number of a report opens the list it is made of: links are walked, lists added up to figures."""

from __future__ import annotations

import csv
import posixpath
import re
from decimal import Decimal
from html import unescape
from typing import Any

import pytest
from tests.report_samples import composed, drawn, own_site, rendered

from dripledger.measures import MEASURES, ROWS, Form
from dripledger.reports.page_html import _blocks
from dripledger.reports.standing import quality_leaf
from dripledger.statistics import survival_quantile

pytest.importorskip("jinja2", reason="the extra [report] is not installed")

#: What a figure is made of, said here a second time: the list, the column that says what
#: a row counts as, and the column to add up ('' counts rows); of the numerator and of the denominator.
MADE_OF: dict[str, tuple[tuple[str, str, str], tuple[str, str, str]]] = {
    **{
        name: ((of, name, amount), (of, name, amount))
        for of, amount, names in (
            ("starts", "", ("library_use_starts", "protected_share", "stale_library_share")),
            ("running", "running_hours", ("library_use_hours",)),
            ("programmings", "", ("soft_alert_share", "hard_alert_share")),
            ("attempts", "", ("override_share", "left_library_share", "far_overrides")),
            ("attempts", "", ("infusion_override_share", "override_repeat_share", "override_under_3s_share")),
            ("alarms", "", ("alarm_time_to_clear", "alarm_time_to_first_response")),
            ("attempts", "", ("outcomes_soft", "outcomes_hard")),
        )
        for name in names
    },
    "delivery_alarm_rate": (
        ("alarms", "delivery_alarm_rate", ""), ("running", "delivery_alarm_rate", "running_hours"),
    ),
    "pump_alarm_rate": (
        ("alarms", "pump_alarm_rate", ""), ("powered", "pump_alarm_rate", "powered_on_hours"),
    ),
    "alarm_minutes": (
        ("in_alarm", "alarm_minutes", "minutes"), ("powered", "alarm_minutes", "powered_on_hours"),
    ),
    "delivery_lost": (("stops", "delivery_lost", "minutes"), ("running", "delivery_lost", "running_hours")),
    "user_rate_changes": (
        ("rate_changes", "user_rate_changes", ""), ("running", "user_rate_changes", "running_hours"),
    ),
    "soft_alerts_per_100_infusions": (
        ("programmings", "soft_alert_share", ""), ("starts", "soft_alerts_per_100_infusions", ""),
    ),
    "hard_alerts_per_100_infusions": (
        ("programmings", "hard_alert_share", ""), ("starts", "hard_alerts_per_100_infusions", ""),
    ),
}  # fmt: skip
TINY = Decimal("0.000001")
#: Counts of a whole: where the page of data quality or of the fleet says what they are made of.
OF_A_WHOLE = {
    "fleet_coverage", "log_completeness", "uncertain_share", "unmapped_share", "quarantine_share",
    "clock_corrected_share", "implausible_share",
}  # fmt: skip


def powered() -> Any:
    """The drawn month with pumps that are switched on, alarms of their own, stops, and changes of rate."""
    given = drawn()
    given["libraries"] = [{"entry": "morphine", "care_area": "-", "hard_high": "10"}]
    given["events"] += [
        {
            "event_id": f"alert-P{k}", "pump_id": f"P{k}", "kind": "limit_alerted",
            "occurred_at": "2026-10-05 03:12:45", "device_time": "2026-10-05 03:12:45",
        }
        for k in range(3)
    ]  # fmt: skip
    for pump, hours in (("P0", 7), ("P1", 12), ("P2", 9)):
        given["events"] += [
            {
                "event_id": f"{pump}-{kind}", "pump_id": pump, "kind": kind, "channel": "-",
                "occurred_at": f"2026-10-05 {at:02}:00", "device_time": f"2026-10-05 {at:02}:00",
            }
            for kind, at in (("powered_on", 6), ("powered_off", 6 + hours))
        ]  # fmt: skip
        given["alarms"] += [
            {
                "alarm_id": f"{pump}-{kind}", "pump_id": pump, "alarm_kind": kind, "channel": "()",
                "alarm_priority": "low", "raised_at": f"2026-10-05 {begin}",
                "cleared_at": f"2026-10-05 {end}", "ended_at": f"2026-10-05 {end}",
                "silenced_at": f"2026-10-05 {begin[:4]}5",
            }
            for kind, begin, end in (("low_battery", "09:00", "09:20"), ("fault", "09:10", "09:34"))
        ]  # fmt: skip
    for place, segment in enumerate(list(given["segments"])):
        if segment["month"] == "2026-10" and place % 5 == 0:
            # a user's change at 20:00, and ten minutes stopped by an alarm at 21:00
            name = segment["infusion_id"]
            given["segments"] += [
                {
                    **segment, "rate_ml_h": "12", "started_at": "2026-10-07 20:00",
                    "ended_at": "2026-10-07 21:00",
                },
                {
                    **segment, "state": "stopped_by_alarm", "started_at": "2026-10-07 21:00",
                    "ended_at": "2026-10-07 21:10",
                },
            ]  # fmt: skip
            segment.update(rate_ml_h="5", ended_at="2026-10-07 20:00")
            given["events"].append(
                {
                    "event_id": f"{name}-change", "pump_id": segment["pump_id"], "kind": "rate_changed",
                    "channel": segment["channel"], "occurred_at": "2026-10-07 20:00",
                }
            )  # fmt: skip
    return given


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    return rendered(own_site(), **powered())


@pytest.fixture(scope="module")
def pages(files: dict[str, bytes]) -> dict[str, str]:
    return {name: content.decode() for name, content in files.items() if name.endswith(".html")}


def table(files: dict[str, bytes], name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(files[name].decode().splitlines()))


def add(rows: list[dict[str, str]], amount: str) -> Decimal:
    return sum((Decimal(r[amount]) for r in rows), Decimal(0)) if amount else Decimal(len(rows))


@pytest.mark.parametrize("which", ["measures.csv", "measures_facility.csv"])
def test_lists_add_up_to_both_sides_of_every_figure(files: dict[str, bytes], which: str) -> None:
    lists = {one[0]: table(files, f"lists/{one[0]}.csv") for pair in MADE_OF.values() for one in pair}
    held: set[str] = set()
    for row in table(files, which):
        measure, part = ROWS[row["measure"]]
        if measure.id in OF_A_WHOLE or row["numerator"] == "":
            continue
        (of, column, amount), (over, over_column, over_amount) = MADE_OF[measure.id]
        area = row.get("care_area", "")
        mine = [r for r in lists[of] if not area or r["care_area"] == area]
        whole = [r for r in lists[over] if not area or r["care_area"] == area]
        if measure.id.startswith("outcomes_"):
            assert part is not None
            counted = [r for r in mine if r[column] == part.value]
        else:
            counted = [r for r in mine if r[column] == "counted"]
            if part is not None and part.column:
                counted = [r for r in counted if r[part.column] == part.value]
                if not measure.parts_of_whole:
                    whole = [r for r in whole if r[part.column] == part.value]
        sides = ("not counted",) if over != of or over_column != column else ("counted", "not counted")
        known = [
            r
            for r in whole
            if (r[over_column] in sides)
            or (measure.id.startswith("outcomes_") and r[over_column] not in ("", "left out"))
        ]
        assert add(counted, amount) == pytest.approx(Decimal(row["numerator"]), abs=TINY), row
        assert add(known, over_amount) == pytest.approx(Decimal(row["denominator"]), abs=TINY), row
        if Decimal(row["denominator"]):
            held.add(measure.id)
    wanted = {
        m.id for m in MEASURES.values() if m.built and m.id not in OF_A_WHOLE and m.id != "fleet_coverage"
    }
    if which == "measures_facility.csv":
        assert wanted - held <= {"stale_library_share"}, wanted - held


def test_times_can_be_worked_out_from_the_list(files: dict[str, bytes]) -> None:
    alarms = table(files, "lists/alarms.csv")
    for row in table(files, "measures_facility.csv"):
        measure, part = ROWS[row["measure"]]
        if measure.form is not Form.TIMES or not row["value"]:
            continue
        known = [r for r in alarms if r[measure.id] != "left out"]
        minutes = f"minutes_to_{measure.id.removeprefix('alarm_time_to_')}"
        found = survival_quantile(
            [60 * float(r[minutes]) for r in known],
            [r[measure.id] == "counted" for r in known],
            0.5 if part is None else part.quantile,
        )
        assert found.value == pytest.approx(float(row["value"])), row


NUMBER = re.compile(
    r'<a href="([^"]+)">(?:<span class="long">)?([\d\u202f,. ]+)(?: (?:min|h))?(?:</span>)?</a>'
)
COUNTS = re.compile(r'<p class="counts">(.*?)</p>', re.S)


def test_both_counts_of_every_card_open(pages: dict[str, str]) -> None:
    cards = 0
    for name, text in pages.items():
        for counts in COUNTS.findall(text):
            assert counts.count("<a href=") == 2, (name, counts)
            cards += 1
    assert cards > 40


def test_what_a_number_opens_says_that_number(pages: dict[str, str]) -> None:
    """The heading, the total, or the parts of the list that a link leads to say the number clicked."""
    walked: dict[str, int] = {}
    for name, text in pages.items():
        if name.startswith("lists/"):
            continue
        for href, number in NUMBER.findall(text):
            path, _, anchor = unescape(href).partition("#")
            target = posixpath.normpath(posixpath.join(posixpath.dirname(name), path)) if path else name
            if not target.startswith("lists/"):
                continue
            assert target.endswith(".html"), (name, href, number)
            assert number in said(pages[target], anchor), (name, href, number)
            kind = re.sub(r"^lists/|[-.].*$", "", target)
            walked[kind] = walked.get(kind, 0) + 1
    assert sum(walked.values()) > 150
    assert {"pump_alarm_rate", "alarm_minutes", "over_pump_alarm_rate", "over_delivery_alarm_rate"} <= set(
        walked
    )


def said(text: str, anchor: str) -> set[str]:
    """Return the numbers that a page of a list says of a part of it, or of the whole of it."""
    if anchor:
        _, _, text = text.partition(f'id="{anchor}"')
        heading, _, text = text.partition("<h2")[0].partition("</h2>")
        found = set(re.findall(r": ([\d\u202f,.]+)(?: (?:h|min))?$", heading))
    else:
        found = set(re.findall(r"In all, but what is left out: ([\d\u202f,.]*[\d])(?: |<)", text))
        found |= set(re.findall(r'<h2 id="not-counted">[^<]*: ([\d\u202f,.]+)(?: h)?</h2>', text))
    for row in re.findall(r"<tr.*?</tr>", text, re.S):
        if "in total" in row:
            found |= {re.sub(r"<[^>]+>", "", one) for one in re.findall(r"<td[^>]*>(.*?)</td>", row, re.S)}
        elif anchor in ("by-entry", "by-pump") and "<td" in row:
            parts = [re.sub(r"<[^>]+>", "", one) for one in re.findall(r"<td[^>]*>(.*?)</td>", row, re.S)]
            found |= {*parts, str(int(parts[0]) + int(parts[1]))}
    return found


def test_starts_under_other_windows_add_up_to_what_the_page_of_areas_says(
    files: dict[str, bytes], pages: dict[str, str]
) -> None:
    listed = table(files, "lists/start_windows.csv")
    said_there = pages["areas.html"].partition('id="continuation"')[2].partition("<h2")[0]
    assert 'href="lists/start_windows.csv"' in said_there
    counts = [tuple(map(int, pair)) for pair in re.findall(r">(\d+) of (\d+)<", said_there)]
    told = []
    for name in ("no_window", "site_window", "long_window"):
        for column in ("library_use_starts", "protected_share"):
            of = [row[column] for row in listed if row["continuation"] == name]
            told.append((of.count("counted"), of.count("counted") + of.count("not counted")))
    # a share of nothing shows no counts
    assert counts == [pair for pair in told if pair[1]]
    assert len(counts) >= 3


def test_figures_of_data_quality_open_what_they_are_made_of() -> None:
    """Each source's numerator is told again by the rows that its figure leads to."""
    given = drawn()
    for place, infusion in enumerate(given["infusions"]):
        infusion["uncertain"] = place % 7 == 0
        infusion["source_name"] = "wards" if place % 2 else "theatres"
    given["quarantined"] = [
        {
            "source_file_sha256": "f", "source_record": record, "device_time": f"2026-10-0{record} 10:00:00",
            "source_name": "theatres" if record == 3 else "wards", "reasons": ["no_pump", "no_unit"],
        }
        for record in (2, 3, 5)
    ]  # fmt: skip
    given["events"] = [
        {
            "event_id": f"n{place}", "sequence": number, "occurred_at": f"2026-10-{place + 1:02} 09:00:00",
            "device_time": f"2026-10-{place + 1:02} 09:00:00",
        }
        for place, number in enumerate((10, 11, 15, 16, 18))
    ]  # fmt: skip
    quality = _blocks(quality_leaf(composed(own_site(), **given)))
    sources = re.findall(
        r"<tr[^>]*>(.*?)</tr>", quality.partition('id="sources"')[2].partition("<h2")[0], re.S
    )
    walked: dict[str, dict[str, tuple[int, int]]] = {}
    for row in sources[1:]:
        source = re.sub("<[^>]+>", "", row.partition("</th>")[0]).strip()
        for anchor, counts in re.findall(r'href="#(\w+)".*?([\d ]+ / [\d ]+)', row, re.S):
            numerator, denominator = (int(part) for part in counts.split("/"))
            walked.setdefault(anchor, {})[source] = (numerator, denominator)
    assert set(walked) >= {"quarantine", "uncertain", "numbers"}

    def listed(anchor: str) -> list[list[str]]:
        part = quality.partition(f'id="{anchor}"')[2].partition("<h2")[0]
        found = re.findall(r"<tr[^>]*>(.*?)</tr>", part, re.S)
        cells = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S) for row in found]
        return [[re.sub("<[^>]+>", "", cell).strip() for cell in row] for row in cells]

    for anchor in ("quarantine", "uncertain"):
        told = [row[0] for row in listed(anchor)]
        assert {source: told.count(source) for source in walked[anchor]} == {
            source: numerator for source, (numerator, _) in walked[anchor].items()
        }
    assert walked["quarantine"] == {"wards": (2, 7), "theatres": (1, 1)}
    assert [row for row in listed("numbers") if row[0] == "wards"] == [["wards", "P1", "2", "4"]]
    seen, expected = walked["numbers"]["wards"]
    assert expected - seen == 4
