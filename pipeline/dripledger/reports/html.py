"""The page of every figure as HTML: everything that comes from a log or a list is escaped."""

from __future__ import annotations

from collections.abc import Sequence

from dripledger.reports.model import Page
from dripledger.reports.templating import environment


def render_html(page: Page, nav: Sequence[tuple[str, str]] = ()) -> str:
    """Render the page.

    Parameters
    ----------
    page
        The composed page.
    nav
        Pages beside it: (file, name).

    Returns
    -------
    str
        One HTML document that loads nothing from anywhere.
    """
    return environment().get_template("month.html.j2").render(page=page, nav=nav)


def style_sheet() -> str:
    """Return the style sheet of the pages."""
    template = environment()
    return template.get_template("style.css.j2").render() + template.get_template("leaf.css.j2").render()
