"""Pumps or areas against what chance lets expect of them. Form and words carry the meaning."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dripledger.reports import svg
from dripledger.reports.naming import cut
from dripledger.statistics import FunnelReading

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def funnel(found: FunnelReading, name: str, across: str, up: str, factor: float) -> str:
    """Draw points against how much each rests on, with the limits of chance; what lies outside is named."""
    import matplotlib as mpl

    with mpl.rc_context(svg.settings(name)):
        figure, axes = canvas(6.4, 2.7, left=0.1, right=0.97, top=0.95, bottom=0.18)
        shown = sorted(
            (p for p in found.points if p.value is not None), key=lambda p: (p.denominator, p.label)
        )
        x = [p.denominator for p in shown]
        for limit, style in (("inner", (0, (1, 1.8))), ("outer", "-")):
            for side in (0, 1):
                pairs = [getattr(p, limit) for p in shown]
                y = [pair[side] * factor for pair in pairs if pair is not None]
                if len(y) == len(x):
                    axes.plot(x, y, color=svg.QUIET, linewidth=0.9, linestyle=style)
                    if x and side == 1:
                        word = "95 %" if limit == "inner" else "99.8 %"
                        axes.text(x[0], y[0], f"{word} ", ha="left", va="bottom", fontsize=7, color=svg.QUIET)
        if found.target is not None:
            axes.axhline(found.target * factor, color=svg.QUIET, linewidth=0.9, linestyle=(0, (5, 3)))
        for point in shown:
            outside = point.beyond_outer != 0
            axes.plot(
                [point.denominator],
                [float(point.value or 0) * factor],
                marker="D" if outside else "o",
                markersize=5.5 if outside else 3.4,
                color=svg.VERMILLION if outside else svg.BLUE,
            )
            if outside:
                axes.annotate(
                    cut(point.label, 24),
                    (point.denominator, float(point.value or 0) * factor),
                    xytext=(5, 4),
                    textcoords="offset points",
                    fontsize=7.5,
                )
        axes.set_ylim(bottom=0)
        axes.set_xlabel(across)
        axes.set_ylabel(up)
        return svg.saved(figure)


def canvas(wide: float, high: float, **margins: float) -> tuple[Any, Axes]:
    """Return an empty figure, its size in inches, and its axes, their margins in parts of it."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(wide, high))
    FigureCanvasSVG(figure)
    axes = figure.add_axes(
        (
            margins["left"],
            margins["bottom"],
            margins["right"] - margins["left"],
            margins["top"] - margins["bottom"],
        )
    )
    return figure, axes
