"""Pictures of the demo's report for the README: ``python -m tests.browser.pictures [REPORT]``.

Without a folder of a report an invented hospital is made and its report written first; it takes minutes.
Needs Chromium. The pictures go to ``.pictures/``, each under 200 kB.
"""

from __future__ import annotations

import importlib
import io
import sys
import tempfile
from pathlib import Path
from typing import Any, Final

from dripledger.events.ingest import ingest
from dripledger.hospital import generate
from dripledger.reports import write_report
from dripledger.site import load_site
from tests.browser.conftest import CHROMIUM

FOLDER: Final = Path(__file__).parents[2] / ".pictures"
MOST_BYTES: Final = 200_000
MONTH: Final = "2026-10"
#: Name of the picture: page, and what it begins at.
PICTURES: Final = {
    "report-first-page.png": ("index.html", "h1"),
    "report-measures.png": ("index.html", "#together"),
}
#: Wide enough for three charts in a row.
WIDTH, HEIGHT = 1280, 960
#: Shades are few: text and lines need no more.
COLOURS: Final = 64


def main(given: str | None = None) -> None:
    """Take the pictures."""
    with tempfile.TemporaryDirectory(prefix="dripledger-pictures-") as folder:
        report = Path(given).resolve() if given else Path(folder) / "report"
        if not given:
            root = Path(folder) / "site"
            generate(root)
            ingest(load_site(root))
            write_report(load_site(root), MONTH, report)
        FOLDER.mkdir(exist_ok=True)
        playwright = importlib.import_module("playwright.sync_api")
        with playwright.sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light")
            for name, (file, place) in PICTURES.items():
                page.goto((report / file).as_uri())
                found = _small(page, place)
                if len(found) > MOST_BYTES:
                    raise SystemExit(f"{name} has {len(found)} bytes, over {MOST_BYTES}: use fewer colours")
                (FOLDER / name).write_bytes(found)
                print(f"{FOLDER.name}/{name}: {len(found) / 1e3:.0f} kB")
            browser.close()


def _small(page: Any, place: str) -> bytes:
    """Return a picture of the window with this place at its top, in few colours."""
    top = 0 if place == "h1" else page.locator(place).bounding_box()["y"] - 10
    clip = {"x": 0, "y": top, "width": WIDTH, "height": HEIGHT}
    image = importlib.import_module("PIL.Image")
    taken = image.open(io.BytesIO(page.screenshot(full_page=True, clip=clip)))
    out = io.BytesIO()
    taken.convert("RGB").quantize(COLOURS).save(out, "PNG", optimize=True)
    return out.getvalue()


if __name__ == "__main__":
    main(*sys.argv[1:])
