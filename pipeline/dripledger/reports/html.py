"""The page as HTML: everything that comes from a log or a list is escaped."""

from __future__ import annotations

from dripledger.reports.model import Page


def render_html(page: Page) -> str:
    """Render the page.

    Parameters
    ----------
    page
        The composed page.

    Returns
    -------
    str
        One HTML document that loads nothing from anywhere.
    """
    # Inside the function: the extra [report] brings it, and `measures` must work without.
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("dripledger.reports", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("month.html.j2").render(page=page)
