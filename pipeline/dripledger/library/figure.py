"""The curves of limits as a figure: SVG with real text, the same bytes for the same curves."""

from __future__ import annotations

import io
import textwrap
from typing import Any, Final

from dripledger.library.curve import ANY, Curve, Curves

_INK, _QUIET, _RULE = "#1d2024", "#565c64", "#d3d3cc"
_SETTINGS: Final[Any] = {
    "svg.fonttype": "none", "svg.hashsalt": "limit curve", "font.family": "DejaVu Sans", "font.size": 9,
    "axes.edgecolor": _QUIET, "axes.linewidth": 0.7, "axes.spines.top": False, "axes.spines.right": False,
    "text.color": _INK, "axes.labelcolor": _INK, "xtick.color": _INK, "ytick.color": _INK,
    "text.parse_math": False,
}  # fmt: skip
#: From this ratio of the farthest to the nearest place on, the axis is logarithmic.
_WIDE: Final = 20
#: Letters of a line below a picture, and its height in inches.
_LINE: Final = 128
_NOTE: Final = 0.15
_CAUTION: Final = (
    "Looks back, and is no advice on a limit: a warned person may act differently. "
    "Dotted: a lower bound, for what was taken back unwarned is not in the log."
)


def draw_curves(curves: Curves) -> str:
    """Draw each curve: alerts per 100 uses above, warnings that led to a change below, one axis of limits.

    Returns
    -------
    str
        One SVG document without a date, a picture for each curve below the other. Lower bounds are dotted;
        form tells all marks apart without colour.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    notes = textwrap.wrap(_CAUTION, _LINE) + textwrap.wrap(f"Of this entry here {curves.text}.", _LINE)
    height = 5.0 + _NOTE * len(notes)
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(7.6, height * len(curves.drawn)), facecolor="white")
        FigureCanvasSVG(figure)
        parts = figure.subfigures(len(curves.drawn), 1, squeeze=False)
        for part, curve in zip(parts[:, 0], curves.drawn, strict=True):
            _draw(part, curve, notes, height)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def _draw(figure: Any, curve: Curve, notes: list[str], height: float) -> None:
    """Draw one curve into its part of the picture, `height` inches high."""
    from matplotlib.ticker import LogLocator, NullFormatter

    rows = curve.table.to_pylist()
    above, below = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": [3, 2], "hspace": 0.18})
    figure.subplots_adjust(left=0.11, right=0.97, top=0.87, bottom=(_NOTE * len(notes) + 0.85) / height)
    limits = [row["limit"] for row in rows]
    if limits and min(limits) > 0 and max(limits) > _WIDE * min(limits):
        above.set_xscale("log")
        below.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
        below.xaxis.set_major_formatter("{x:g}")
        below.xaxis.set_minor_formatter(NullFormatter())
    for axes, name in ((above, "alerts_per_100_uses"), (below, "within_still_warned")):
        _steps(axes, rows, name)
        axes.set_ylim(bottom=0)
        axes.grid(axis="y", color=_RULE, linewidth=0.6)
        axes.set_axisbelow(True)
        for row in rows:
            if row["stands_for"].startswith("proposed"):
                axes.axvline(row["limit"], color=_INK, linewidth=1.1, linestyle="--")
            elif row["stands_for"]:
                axes.axvline(row["limit"], color=_QUIET, linewidth=0.9, linestyle="-.")
    above.set_ylabel("limit alerts per 100 uses")
    total, uses = (rows[0]["within"], rows[0]["uses"]) if rows else (0, 0)
    below.set_ylabel(f"still warned, of {total}\nbrought within limits")
    below.set_xlabel(
        f"{curve.side} limit on {curve.quantity.replace('_', ' ')}, {curve.unit}"
        "   (dashed: proposed; dash-dot: as logged)"
    )
    strength = "" if curve.concentration == ANY else f", {curve.concentration}"
    band = "" if curve.weights == ANY else f", {curve.weights}"
    version = f" (library {curve.version})" if curve.version else ""
    whose = f"{curve.entry}{strength}{band}, {curve.care_area}{version}"
    figure.suptitle(
        f"{whose}: one limit, at every place it could stand",
        x=0.11, y=0.97, ha="left", fontsize=10.5,
    )  # fmt: skip
    figure.text(0.11, 0.895, f"{uses} uses (programmings) under this limit", fontsize=8.5, color=_QUIET)
    for number, line in enumerate(notes, start=1):
        figure.text(0.11, (_NOTE * (len(notes) - number) + 0.2) / height, line, fontsize=7, color=_QUIET)


def _steps(axes: Any, rows: list[dict[str, Any]], name: str) -> None:
    """Draw one line of steps, dotted where it is a lower bound."""
    places = [row["limit"] for row in rows]
    values = [float("nan") if row[name] is None else float(row[name]) for row in rows]
    bound = [row["is_lower_bound"] for row in rows]
    for lower in (True, False):
        # a step belongs to the limit at its left end
        shown = [v if b is lower else float("nan") for v, b in zip(values, bound, strict=True)]
        axes.step(places, shown, where="post", color=_INK, linewidth=1.6, linestyle=":" if lower else "-")
        axes.plot(places, shown, linestyle="", marker="o", markersize=2.6, color=_INK)
