"""From a matplotlib figure to an SVG with real text and the same bytes every time; and to one for a page.

Colours: blue, vermillion, orange of the palette by M. Okabe and K. Ito, "Color Universal Design" (2008;
values from memory), on ink and grey. No meaning rests on colour alone.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK: Final = "#1d2024"
QUIET: Final = "#565c64"
RULE: Final = "#d3d3cc"
BAND: Final = "#e9e9e3"
BLUE: Final = "#0072b2"
VERMILLION: Final = "#b34e00"
PAPER: Final = "#fdfdfb"

#: Each colour's name in the style sheet, which has a value for dark screens too.
_VARIABLES: Final = {
    INK: "--ink",
    QUIET: "--quiet",
    RULE: "--rule",
    BAND: "--band",
    BLUE: "--starts",
    VERMILLION: "--hours",
    PAPER: "--paper",
}
_FONT: Final = re.compile(r"font: ?([0-9.]+px) '[^;\"]*")
_ID: Final = re.compile(r'<g id="[A-Za-z_0-9.]+"')
_SIZE: Final = re.compile(r'(<svg[^>]*?) width="[0-9.]+pt"')
_HEIGHT: Final = re.compile(r'(<svg[^>]*?) height="[0-9.]+pt"')


def settings(salt: str) -> Any:
    """Return what matplotlib is to do: real text, no mathematics in what a log wrote, ids from `salt`."""
    return {
        "svg.fonttype": "none",
        "svg.hashsalt": salt,
        "font.family": "DejaVu Sans",
        "font.size": 8,
        "axes.edgecolor": QUIET,
        "axes.linewidth": 0.6,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "text.color": INK,
        "axes.labelcolor": INK,
        "xtick.color": QUIET,
        "ytick.color": QUIET,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "xtick.major.width": 0.6,
        "ytick.major.width": 0.6,
        "xtick.major.size": 2.5,
        "ytick.major.size": 2.5,
        "text.parse_math": False,
        "axes.unicode_minus": False,
    }


def saved(figure: Figure) -> str:
    """Return the figure as SVG without a date."""
    out = io.StringIO()
    figure.savefig(
        out,
        format="svg",
        transparent=True,
        metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
    )
    made = out.getvalue()
    return made[made.index("<svg") :]


def for_page(svg: str) -> str:
    """Return an SVG to stand inside an HTML page.

    Colours become those of the style sheet, so that a dark screen has light ink; names of groups, which would
    stand once a figure, go; the text alternative stands in the page.
    """
    text = _ID.sub("<g", svg)
    for colour, name in _VARIABLES.items():
        text = text.replace(colour, f"var({name})")
    text = _FONT.sub(r"font-size: \1", text)
    text = _HEIGHT.sub(r"\1", _SIZE.sub(r"\1", text, count=1), count=1)
    return text.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1)
