"""The curve of one limit as a figure: SVG with real text, the same bytes for the same curve."""

from __future__ import annotations

import io
from typing import Any, Final

from dripledger.library.curve import Curve

_INK, _QUIET, _RULE = "#1d2024", "#565c64", "#d3d3cc"
_SETTINGS: Final[Any] = {
    "svg.fonttype": "none", "svg.hashsalt": "limit curve", "font.family": "DejaVu Sans", "font.size": 9,
    "axes.edgecolor": _QUIET, "axes.linewidth": 0.7, "axes.spines.top": False, "axes.spines.right": False,
    "text.color": _INK, "axes.labelcolor": _INK, "xtick.color": _INK, "ytick.color": _INK,
    "text.parse_math": False,
}  # fmt: skip
#: From this ratio of the farthest to the nearest place on, the axis is logarithmic.
_WIDE: Final = 20
_CAUTION: Final = (
    "Looks back, and is no advice on a limit: a warned person may act differently. "
    "Dotted: a lower bound, for what was taken back unwarned is not in the log."
)


def draw_curve(curve: Curve) -> str:
    """Draw a curve: alerts per 100 uses above, warnings that led to a change below, one axis of limits.

    Returns
    -------
    str
        One SVG document without a date. Lower bounds are dotted; form tells all marks apart without colour.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    rows = curve.table.to_pylist()
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(7.6, 5.0), facecolor="white")
        FigureCanvasSVG(figure)
        above, below = figure.subplots(
            2, 1, sharex=True, gridspec_kw={"height_ratios": [3, 2], "hspace": 0.18}
        )
        figure.subplots_adjust(left=0.11, right=0.97, top=0.86, bottom=0.19)
        limits = [row["limit"] for row in rows]
        if limits and min(limits) > 0 and max(limits) > _WIDE * min(limits):
            above.set_xscale("log")
            below.xaxis.set_major_formatter("{x:g}")
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
        total = rows[0]["within"] if rows else 0
        below.set_ylabel(f"still warned, of {total}\nbrought within limits")
        below.set_xlabel(
            f"{curve.side} limit on {curve.quantity.replace('_', ' ')}, {curve.unit}"
            "   (dashed: proposed; dash-dot: as logged)"
        )
        figure.suptitle(
            f"{curve.entry}, {curve.care_area}: one limit, at every place it could stand",
            x=0.11, y=0.96, ha="left", fontsize=10.5,
        )  # fmt: skip
        uses = rows[0]["uses"] if rows else 0
        figure.text(0.11, 0.885, f"{uses} uses (programmings) recorded", fontsize=8.5, color=_QUIET)
        figure.text(0.11, 0.03, _CAUTION, fontsize=7, color=_QUIET, wrap=True)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


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
