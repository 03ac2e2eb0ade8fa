"""The notebooks as apps in a real browser: a choice changes a chart, a click lists what was logged."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.functional.conftest import CommandLine

if TYPE_CHECKING:
    from playwright.sync_api import Page

#: Generous: the server computes on a machine that may have other work.
WAIT_MS = 60_000


@pytest.fixture(scope="module")
def demo(small_demo: Path) -> Path:
    return small_demo / "demo"


@contextmanager
def explored(demo: Path, *more: str) -> Iterator[str]:
    """Run `dripledger explore` and return its address."""
    cli = CommandLine(demo.parent, demo.parent)
    command = cli.command("explore", *more, "--site", demo)
    command.remove("error")  # warnings of the server's own packages are not ours
    command.remove("-W")
    server = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=demo.parent, env=cli.env
    )
    try:
        assert server.stdout is not None
        address = server.stdout.readline().strip()
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/\?access_token=[\w-]{20,}", address), (
            server.communicate()
        )
        yield address
    finally:
        server.terminate()
        server.communicate(timeout=30)


@pytest.fixture(scope="module")
def exploring(demo: Path) -> Iterator[str]:
    """Return the address of the notebook `explore`, served once for all who look at it."""
    with explored(demo) as address:
        yield address


def opened(page: Page, address: str) -> list[str]:
    """Open the app, and return the list in which requests to anywhere else will stand."""
    outside: list[str] = []
    here = address.partition("/?")[0]
    allowed = (here, here.replace("http", "ws"), "data:", "blob:")
    page.on("request", lambda r: None if r.url.startswith(allowed) else outside.append(r.url))
    page.goto(address)
    return outside


def text_of_svg(page: Page, number: int) -> str:
    found: str = page.locator("svg:has(text)").nth(number).text_content(timeout=WAIT_MS) or ""
    return " ".join(found.split())


@pytest.mark.slow
@pytest.mark.merge
def test_explore(exploring: str, page: Page) -> None:
    outside = opened(page, exploring)
    page.get_by_text("For quality improvement; not for decisions at the bedside").wait_for(timeout=WAIT_MS)
    assert "Starts under an entry" in text_of_svg(page, 0)
    assert "Infusions that began" in text_of_svg(page, 1)
    page.get_by_text("No infusion is chosen.").wait_for(timeout=WAIT_MS)

    # another measure: another chart
    page.locator("select").first.select_option(label="Programmings with a hard limit alert")
    page.locator("svg:has(text)", has_text="Programmings with a hard limit alert").first.wait_for(
        timeout=WAIT_MS
    )

    # no month but one: the charts follow
    assert "2026-10" in text_of_svg(page, 1)
    assert "2026-11" in text_of_svg(page, 1)
    page.get_by_label("Months").click()
    page.get_by_role("option", name="2026-11").click()
    page.keyboard.press("Escape")
    page.wait_for_function(
        "() => { const s = [...document.querySelectorAll('svg')].filter(s => s.querySelector('text'));"
        " return s.length > 1 && !s[1].textContent.includes('2026-11'); }",
        timeout=WAIT_MS,
    )

    # a click on a line lists what was logged, with the file and record that say so
    page.get_by_role("checkbox").first.click()
    page.get_by_role("heading", name="One infusion").wait_for(timeout=WAIT_MS)
    page.get_by_text("infusion_started").first.wait_for(timeout=WAIT_MS)
    assert "Rate as logged" in text_of_svg(page, 2)
    assert outside == []


@pytest.mark.slow
@pytest.mark.merge
def test_library_review(demo: Path, page: Page) -> None:
    with explored(demo, "library_review") as address:
        outside = opened(page, address)
        page.get_by_text("A replay looks back").wait_for(timeout=WAIT_MS)
        heading = page.get_by_text(re.compile(r"^Replay with the soft limit at ")).first
        heading.wait_for(timeout=WAIT_MS)
        before = heading.text_content()
        slider = page.get_by_role("slider").first
        slider.focus()
        for _ in range(5):
            page.keyboard.press("ArrowLeft")
        page.wait_for_function(
            "before => [...document.querySelectorAll('h3')].some("
            "h => h.textContent.startsWith('Replay with') && h.textContent !== before)",
            arg=before, timeout=WAIT_MS,
        )  # fmt: skip
        # another limit: another curve
        first = text_of_svg(page, 0)
        page.locator("select").first.select_option(index=2)
        page.wait_for_function(
            "first => { const s = [...document.querySelectorAll('svg')].filter(s => s.querySelector('text'));"
            " return s.length > 0 && s[0].textContent.split(/\\s+/).join(' ').trim() !== first.trim(); }",
            arg=first, timeout=WAIT_MS,
        )  # fmt: skip
        assert outside == []


@pytest.mark.slow
@pytest.mark.merge
def test_nobody_without_the_key(exploring: str, page: Page) -> None:
    page.goto(exploring.partition("?")[0])
    page.wait_for_load_state("networkidle")
    assert "What the pumps did" not in (page.text_content("body") or "")
    assert page.locator("input[type=password]").count() == 1
