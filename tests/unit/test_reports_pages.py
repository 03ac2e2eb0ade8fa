"""The pages of a report: every link leads somewhere, every list adds up, no text of a log can act."""

from __future__ import annotations

import csv
import posixpath
import re
from html import unescape
from html.parser import HTMLParser

import pytest
from tests.report_samples import FORMULA, LONG, QUOTED, SCRIPT, composed, drawn, own_site, rendered

from dripledger.reports.behind import LISTS
from dripledger.reports.first import cases_page, first_page
from dripledger.reports.naming import slug
from dripledger.reports.page_html import _blocks

pytest.importorskip("jinja2", reason="the extra [report] is not installed")


@pytest.fixture(scope="module")
def files(october: dict[str, bytes]) -> dict[str, bytes]:
    return october


@pytest.fixture(scope="module")
def pages(files: dict[str, bytes]) -> dict[str, str]:
    return {name: content.decode() for name, content in files.items() if name.endswith(".html")}


class Read(HTMLParser):
    """What stands in a page: tags, ids, links, text."""

    VOID = ("meta", "link", "input", "br")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []
        self.open: list[str] = []
        self.told: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)
        for name, value in attrs:
            assert not name.startswith("on"), (tag, name)
            if name == "id":
                self.ids.append(value or "")
            if name in ("href", "src") and tag != "use":
                self.links.append(value or "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.told.append(data)


def table(files: dict[str, bytes], name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(files[name].decode().splitlines()))


def test_every_link_leads_to_a_file_and_a_place_in_it(files: dict[str, bytes], pages: dict[str, str]) -> None:
    read = {name: Read(text) for name, text in pages.items()}
    walked = 0
    for name, page in read.items():
        for link in page.links:
            path, _, anchor = link.partition("#")
            target = posixpath.normpath(posixpath.join(posixpath.dirname(name), path)) if path else name
            assert target in files, (name, link)
            assert not anchor or anchor in read[target].ids, (name, link)
            walked += 1
    assert walked > 300
    assert not [
        name
        for name in pages
        if name
        not in {
            posixpath.normpath(posixpath.join(posixpath.dirname(n), link.partition("#")[0]))
            if link.partition("#")[0]
            else n
            for n, p in read.items()
            for link in p.links
        }
    ]


def test_pages_are_well_formed_and_ids_stand_once(pages: dict[str, str]) -> None:
    for name, text in pages.items():
        page = Read(text)
        assert page.open == [], name
        assert len(page.ids) == len(set(page.ids)), name


def test_no_text_of_a_log_is_markup(pages: dict[str, str]) -> None:
    for name, text in pages.items():
        assert "<script>alert" not in text, name
        assert "<i>C</i>" not in text, name
        page = Read(text)
        assert page.tags.count("script") == 1, name
    told = " ".join(Read(pages["areas.html"]).told)
    assert SCRIPT in told
    assert QUOTED in told
    assert LONG in told
    assert f"go-live {SCRIPT}" in " ".join(Read(pages["index.html"]).told)


def test_no_clock_time_stands_on_a_page_or_in_a_table(files: dict[str, bytes], pages: dict[str, str]) -> None:
    for name, text in pages.items():
        assert not re.search(r"\b\d{1,2}:\d{2}\b", " ".join(Read(text).told)), name
    for name in (f"lists/{one}.csv" for one in LISTS):
        assert "03:12" not in files[name].decode(), name


def test_pages_load_nothing_from_outside(pages: dict[str, str]) -> None:
    policy = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self'"
    for name, text in pages.items():
        assert f'content="{policy}"' in text, name
        assert not [link for link in Read(text).links if "//" in link], name
        assert "@import" not in text, name
        assert "url(http" not in text, name


def test_a_number_on_a_page_is_the_one_of_the_table_and_opens_its_list(
    files: dict[str, bytes], pages: dict[str, str]
) -> None:
    (row,) = [
        r
        for r in table(files, "measures.csv")
        if (r["measure"], r["care_area"]) == ("override_share", QUOTED)
    ]
    page = pages[f"areas/{slug(QUOTED)}.html"]
    link = f"../lists/override_share-{slug(QUOTED)}.html"
    assert (
        f'<a href="{link}#counted">{row["numerator"]}</a> of <a href="{link}">{row["denominator"]}</a>'
        in page
    )
    behind = pages[link.removeprefix("../")]
    assert f"Overridden: {row['numerator']}</h2>" in behind
    assert behind.count("<tr") - behind.count("<thead") == int(row["denominator"])


def test_first_page_has_cases_and_changes_before_any_figure(pages: dict[str, str]) -> None:
    text = pages["index.html"]
    order = [
        text.index(f'id="{name}"')
        for name in ("three", "cases", "work", "together", "entries", "rests", "missing", "cautions")
    ]
    assert order == sorted(order)
    told = " ".join(" ".join(Read(text).told).split())
    for words in (
        "Not for decisions at the bedside",
        "not about persons",
        "may still be personal data",
        "Fleet coverage",
        "Ledger balance",
        "The month is provisional, so nothing can be said of changes yet.",
    ):
        assert words in told, words
    assert re.search(r"Needs a person: \d+ open cases of the month, \d+ of earlier months", told)


def test_a_reviewed_case_is_no_open_one(pages: dict[str, str]) -> None:
    text = unescape(pages["cases.html"])
    assert text.count('"Review">slip<') == 1
    assert 'id="open"' in text


def test_overrides_whose_size_is_not_known_are_never_told_as_none() -> None:
    given = drawn(("2026-10",), ("icu",), 24)
    for row in given["attempts"]:
        row |= {"limit_multiple": None, "outcome": "overridden"}
    made = composed(own_site(("icu",)), **given | {"alarms": [], "segments": []})
    first, cases = (
        " ".join(" ".join(Read(_blocks(leaf)).told).split())
        for leaf in (first_page(made, []), cases_page(made))
    )
    assert "no attempt that left the library" in first
    assert "no override at twice the limit" not in first
    for told in (first, cases):
        assert "the logs cannot show all. Left out:" in told.replace("The logs", "the logs")
        assert "overrides with unknown times the limit" in told
    assert "None is listed." in cases


@pytest.mark.slow
@pytest.mark.merge
def test_long_lists_page_and_say_how_many_there_are() -> None:
    found = rendered(own_site(("icu",)), **drawn(("2026-10",), ("icu",), 700))
    one, two, three = (found[f"lists/library_use_starts-icu{n}.html"].decode() for n in ("", "-2", "-3"))
    assert "page 1 of 3" in one
    assert 'rel="next"' in one
    assert 'rel="prev"' in three
    assert 'rel="next"' not in three
    lines = sum(text.count('<th role="rowheader"') for text in (one, two, three))
    assert lines == 700 == len(table(found, "lists/starts.csv"))


@pytest.mark.parametrize(
    "areas",
    [
        # a report below has one area alone, too
        pytest.param(("icu",), marks=[pytest.mark.slow, pytest.mark.merge]),
        tuple(f"Ward {k:02}" for k in range(40)),
    ],
    ids=["one", "forty"],
)
def test_one_area_and_forty_make_a_whole_report(areas: tuple[str, ...]) -> None:
    found = rendered(own_site(areas), **drawn(("2026-10",), areas, 3))
    assert sum(name.startswith("areas/") for name in found) == len(areas)
    assert max(len(content) for name, content in found.items() if name.endswith(".html")) < 1_000_000


def test_an_empty_month_is_a_whole_report_and_final_nowhere() -> None:
    found = rendered(own_site(("icu",)), events=[])
    text = found["index.html"].decode()
    assert "Nothing. No event of this month is in the ledger" in text
    assert "Final." not in text
    assert "The month holds no event, so nothing can be said of changes yet." in text


@pytest.mark.slow
@pytest.mark.merge
def test_the_same_store_gives_the_same_bytes(files: dict[str, bytes]) -> None:
    again = rendered()
    assert {"report.pdf", "report.xlsx", "index.html"} <= files.keys() == again.keys()
    assert [name for name in files if files[name] != again[name]] == []


def test_numbers_and_days_are_written_as_the_site_says() -> None:
    found = rendered(own_site(("icu",), decimal=",", dates="day_first"), **drawn(("2026-10",), ("icu",), 24))
    text = " ".join(Read(found["lists/override_share-icu.html"].decode()).told)
    assert "5 Oct 2026" in text
    assert "2,4" in text
    assert not re.search(
        r"\d\.\d", " ".join(Read(found["areas/icu.html"].decode().split("<footer>")[0]).told)
    )


def test_formula_text_stands_as_text_in_tables(files: dict[str, bytes]) -> None:
    entries = {row["entry"] for row in table(files, "lists/attempts.csv")}
    assert f"'{FORMULA}" in entries
