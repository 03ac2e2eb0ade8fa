"""A trace as files: HTML, PDF, figures, CSV and JSON."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from dripledger.incidents.figure import draw
from dripledger.incidents.figure_key import caption
from dripledger.incidents.model import Trace
from dripledger.incidents.page import page_of
from dripledger.incidents.tables import as_json, findings_table, timeline_table
from dripledger.reports.paper import typeset
from dripledger.reports.tables import as_csv
from dripledger.reports.templating import environment

TEMPLATES: Final = Path(__file__).resolve().parent / "templates"
_VIEW_BOX: Final = re.compile(r'viewBox="0 0 ([0-9.]+) ([0-9.]+)"')


def render_files(trace: Trace, zone: ZoneInfo) -> dict[str, bytes]:
    """Render every form of a trace.

    Parameters
    ----------
    trace
        The trace.
    zone
        The facility's zone.

    Returns
    -------
    dict of str to bytes
        ``timeline.html``, ``timeline.pdf``, ``timeline.csv``, ``findings.csv``, ``trace.json`` and the
        figures.
    """
    figures, captions = figures_of(trace, zone)
    page = page_of(trace, zone, captions)
    files = {f"{name}.svg": svg.encode() for name, svg in figures.items()}
    files["timeline.html"] = render_html(page, list(figures.values())).encode("utf-8", "replace")
    files["timeline.pdf"] = render_pdf(page, figures)
    files["timeline.csv"] = as_csv(timeline_table(trace, zone)).encode("utf-8", "replace")
    files["findings.csv"] = as_csv(findings_table(trace, zone)).encode("utf-8", "replace")
    files["trace.json"] = as_json(trace.as_json())
    return files


def figures_of(trace: Trace, zone: ZoneInfo) -> tuple[dict[str, str], list[str]]:
    """Return the figures by name, and their captions."""
    if trace.is_empty:
        return {}, []
    figures = {"figure": draw(trace, zone)}
    captions = [caption(trace, zone)]
    if trace.at is not None:
        figures["figure_zoomed"] = draw(trace, zone, round_at=trace.at)
        captions.append(caption(trace, zone, trace.at))
    return figures, captions


def render_html(page: dict[str, Any], figures: list[str]) -> str:
    """Return one HTML document that loads nothing from anywhere; all that comes from a log is escaped."""
    # Inside the function: the extra [report] brings it.
    from markupsafe import Markup

    # our own drawing, whose text matplotlib has escaped; the prolog has no place inside a page
    drawn = [Markup(svg[svg.index("<svg") :]) for svg in figures]  # noqa: S704
    template = environment("dripledger.incidents").get_template("timeline.html.j2")
    return template.render(page=page, figures=drawn)


def render_pdf(page: dict[str, Any], figures: dict[str, str]) -> bytes:
    """Return the page as PDF: fonts pinned, no date, nothing fetched.

    What comes from a log reaches the typesetter as data, never as markup.
    """
    shapes = [{"name": f"{name}.svg", "ratio": _ratio(svg)} for name, svg in figures.items()]
    pictures = {f"{name}.svg": svg for name, svg in figures.items()}
    return typeset("timeline.typ", {**page, "figures": shapes}, pictures, TEMPLATES)


def _ratio(svg: str) -> float:
    """Return height over width of a drawing."""
    told = _VIEW_BOX.search(svg)
    return 0.5 if told is None else round(float(told[2]) / float(told[1]), 4)
