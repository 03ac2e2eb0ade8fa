"""The report in a real browser, from disk: nothing asked for, nothing complained, usable by all."""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from dripledger.reports import write_folder
from tests import marks
from tests.browser.conftest import without
from tests.report_samples import LONG, QUOTED, drawn, own_site, rendered

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytest.importorskip("jinja2", reason="the extra [report] is not installed")

#: Pages of which there is one, and one of each kind that there are many of.
KINDS = (
    "index.html", "cases.html", "areas.html", "entries.html", "alarms.html", "library.html", "fleet.html",
    "quality.html", "definitions.html",
)  # fmt: skip


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two areas with names that mean no good, two months."""
    folder = tmp_path_factory.mktemp("report") / "2026-10"
    areas = (QUOTED, LONG)
    write_folder(folder, rendered(own_site(areas), **drawn(areas=areas)))
    return folder


@pytest.fixture
def watched(chromium: Browser) -> Iterator[tuple[Page, list[str]]]:
    """Return a page, and what went wrong in it: complaints, errors, requests that leave the disk."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    wrong: list[str] = []
    page.on("console", lambda message: wrong.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("dialog", lambda dialog: (wrong.append("a dialog opened"), dialog.dismiss()))
    page.on("request", lambda request: None if request.url.startswith("file:") else wrong.append(request.url))
    page.on("requestfailed", lambda request: wrong.append(f"failed: {request.url}"))
    yield page, wrong
    context.close()


def pages_of(report: Path) -> list[str]:
    return sorted(path.relative_to(report).as_posix() for path in report.rglob("*.html"))


@pytest.mark.parametrize("which", ["one of each", pytest.param("all", marks=marks.LONG)])
def test_every_page_opens_from_disk_without_a_complaint_or_a_request_off_it(
    report: Path, watched: tuple[Page, list[str]], which: str
) -> None:
    page, wrong = watched
    for name in _one_of_each(report) if which == "one of each" else pages_of(report):
        page.goto((report / name).as_uri())
        assert page.locator("h1").count() == 1, name
        assert wrong == [], (name, wrong)
        # the style sheet beside the pages is in force, under their content policy
        assert page.evaluate("getComputedStyle(document.body).marginTop") == "0px", name


@pytest.mark.parametrize("width", [360, *(pytest.param(width, marks=marks.LONG) for width in (640, 1600))])
def test_no_page_is_wider_than_the_screen(report: Path, watched: tuple[Page, list[str]], width: int) -> None:
    # 640 px is a window of 1280 px at 200 % zoom
    page, _ = watched
    page.set_viewport_size({"width": width, "height": 900})
    lists = [name for name in pages_of(report) if name.startswith(("lists/override", "areas/", "entries/"))]
    for name in (*KINDS, *lists):
        page.goto((report / name).as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name


def test_the_id_of_a_case_takes_two_lines_at_most(report: Path, watched: tuple[Page, list[str]]) -> None:
    page, _ = watched
    page.set_viewport_size({"width": 1200, "height": 900})
    page.goto((report / "index.html").as_uri())
    ids = page.locator("td code")
    assert ids.count() > 0
    assert all(len(name) == 32 or name.startswith("a2026") for name in ids.all_inner_texts())
    script = "every => Math.max(...every.map(one => one.getBoundingClientRect().height))"
    line = page.evaluate("parseFloat(getComputedStyle(document.querySelector('td code')).lineHeight)")
    assert ids.evaluate_all(script) <= 2.2 * line
    assert page.locator("code", has_text="dripledger trace --case ID").count() == 1


def _one_of_each(report: Path) -> list[str]:
    """Return the pages that stand alone, and the largest of each folder, whose pages are made alike."""
    found: dict[str, str] = {}
    for name in sorted(pages_of(report), key=lambda n: (report / n).stat().st_size):
        folder, _, _ = name.rpartition("/")
        found[folder or name] = name
    return sorted(found.values())


@pytest.mark.parametrize(
    "which",
    ["two", pytest.param("one of each", marks=marks.LONG), pytest.param("all", marks=pytest.mark.slow)],
)
def test_axe_finds_no_serious_fault_on_any_page(report: Path, chromium: Browser, which: str) -> None:
    if importlib.util.find_spec("axe_playwright_python") is None:
        without("the package 'axe-playwright-python' is not installed")
    axe = importlib.import_module("axe_playwright_python.sync_playwright").Axe()
    context = chromium.new_context(viewport={"width": 1280, "height": 900}, bypass_csp=True)
    page = context.new_page()
    two = ("index.html", "entries.html")
    pages = {"two": two, "one of each": _one_of_each(report), "all": pages_of(report)}[which]
    for name in pages:
        page.goto((report / name).as_uri())
        assert _serious(axe.run(page)) == [], name
    page.emulate_media(color_scheme="dark")
    for name in two if which == "two" else KINDS:
        page.goto((report / name).as_uri())
        assert _serious(axe.run(page)) == [], f"{name}, dark"
    context.close()


def _serious(found: Any) -> list[str]:
    return [
        f"{one['id']}: {one['nodes'][0]['html'][:200]}"
        for one in found.response["violations"]
        if one["impact"] in ("serious", "critical")
    ]


def test_a_table_sorts_by_keyboard_and_says_so(report: Path, watched: tuple[Page, list[str]]) -> None:
    page, wrong = watched
    page.goto((report / "entries.html").as_uri())
    head = page.locator("table.sortable thead th").nth(2)
    head.locator("button").focus()
    page.keyboard.press("Enter")
    assert head.get_attribute("aria-sort") == "ascending"
    up = [int(text) for text in page.locator("table.sortable tbody tr td:nth-child(3)").all_inner_texts()]
    page.keyboard.press("Space")
    assert head.get_attribute("aria-sort") == "descending"
    down = [int(text) for text in page.locator("table.sortable tbody tr td:nth-child(3)").all_inner_texts()]
    assert up == sorted(up)
    assert down == sorted(up, reverse=True)
    assert wrong == []


def test_a_long_list_can_be_filtered(report: Path, watched: tuple[Page, list[str]]) -> None:
    page, _ = watched
    name = next(n for n in pages_of(report) if n.startswith("lists/library_use_starts-"))
    page.goto((report / name).as_uri())
    rows = page.locator("table.sortable").first.locator("tbody tr")
    everything = rows.count()
    page.get_by_role("searchbox").first.fill("P1")
    shown = rows.locator("visible=true").count()
    assert 0 < shown < everything


def test_the_keyboard_reaches_the_content_and_every_figure_s_data(
    report: Path, watched: tuple[Page, list[str]]
) -> None:
    page, _ = watched
    page.goto((report / "index.html").as_uri())
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    summary = page.locator("details summary").first
    summary.focus()
    page.keyboard.press("Enter")
    assert page.locator("details[open] table").count() == 1
    assert page.locator(".chart[role=img]").count() == page.locator("details").count() > 5


def test_following_a_number_opens_the_list_behind_it(report: Path, watched: tuple[Page, list[str]]) -> None:
    page, wrong = watched
    page.goto((report / "areas.html").as_uri())
    page.locator("tbody tr td a").first.click()
    assert "/lists/" in page.url
    assert page.url.endswith("#counted")
    page.get_by_role("link", name="The month").click()
    assert page.url.endswith("index.html")
    assert wrong == []


def test_print_leaves_out_what_paper_cannot_use(report: Path, watched: tuple[Page, list[str]]) -> None:
    page, _ = watched
    page.goto((report / "entries.html").as_uri())
    page.emulate_media(media="print")
    assert not page.locator("nav").is_visible()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
