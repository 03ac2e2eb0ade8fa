"""The pictures of the notebooks: SVG with real text, the same bytes for the same rows.

Marks: colours of the palette by M. Okabe and K. Ito, "Color Universal Design" (2008; values from memory);
hatching and form tell them apart without colour.
"""

from __future__ import annotations

import io
import math
import textwrap
from datetime import datetime
from typing import Any, Final

import pyarrow as pa

from dripledger.measures import ROWS, Form

_INK, _QUIET, _RULE, _BLUE = "#1d2024", "#565c64", "#d3d3cc", "#0072b2"
_SETTINGS: Final[Any] = {
    "svg.fonttype": "none", "svg.hashsalt": "exploring", "font.family": "DejaVu Sans", "font.size": 9,
    "axes.edgecolor": _QUIET, "axes.linewidth": 0.7, "axes.spines.top": False, "axes.spines.right": False,
    "text.color": _INK, "axes.labelcolor": _INK, "xtick.color": _INK, "ytick.color": _INK,
    "text.parse_math": False, "hatch.linewidth": 0.8,
}  # fmt: skip
#: Library use in the order in which it is stacked: label, colour, hatching.
USES: Final = {
    "limited": ("under an entry with limits", _BLUE, ""),
    "no_limit_entry": ("under an entry without limits", "#56b4e9", "//"),
    "bypassed": ("outside the library", "#d55e00", "xx"),
    "unknown": ("not known", "#c9c9c4", ".."),
}
_COLUMNS: Final = 3
_MOST_PANELS: Final = 24


def draw_measure(rows: pa.Table, measure: str) -> str:
    """Draw one measure by month, one small panel a care area, all on one scale.

    Parameters
    ----------
    rows
        What `exploring.only_measure` gives.
    measure
        Its name.

    Returns
    -------
    str
        One SVG document. A filled mark is a measured value with its 95 % interval, a hollow one is
        provisional; a month without a value has a small cross on the axis. No panel stands before another
        by its value.
    """
    panels: dict[str, list[dict[str, Any]]] = {}
    for row in rows.to_pylist():
        panels.setdefault(row["care_area"], []).append(row)
    months = sorted({row["month"] for own in panels.values() for row in own})
    definition, part = ROWS[measure]
    form = definition.form
    scale = 100.0 if form is Form.SHARE else 1.0
    title = definition.row_title(part)
    if not panels:
        return _empty("Nothing is chosen: choose a month and a care area.")
    valued = [(area, own) for area, own in panels.items() if any(row["value"] is not None for row in own)]
    without = [area for area in panels if area not in dict(valued)]
    shown = valued[:_MOST_PANELS]
    if not shown:
        return _empty(f"{title}: no month has a value in what is chosen. The table says why.")
    deep = math.ceil(len(shown) / _COLUMNS)
    top = max(
        (scale * row["high95"] if row["high95"] is not None else scale * row["value"])
        for _, own in shown
        for row in [*own, {"value": 0.0, "high95": None}]
        if row["value"] is not None
    )

    def draw(figure: Any) -> None:
        axes = figure.subplots(deep, _COLUMNS, sharex=True, sharey=True, squeeze=False)
        height = 0.9 + 1.35 * deep
        figure.subplots_adjust(
            left=0.075, right=0.99, top=1 - 0.62 / height, bottom=0.6 / height, hspace=0.42, wspace=0.1
        )
        for number, axis in enumerate(axes.flat):
            if number >= len(shown):
                axis.set_visible(False)
                continue
            area, own = shown[number]
            axis.set_title(area, loc="left", fontsize=9)
            axis.grid(axis="y", color=_RULE, linewidth=0.6)
            _points(axis, months, own, scale)
        axes[0][0].set_ylim(0, 100 if form is Form.SHARE and top > 40 else max(top * 1.12, 1e-9))
        step = max(1, math.ceil(len(months) / 5))
        for axis in axes.flat:
            axis.set_xticks(range(0, len(months), step), months[::step], fontsize=8)
        axes[0][0].set_xlim(-0.5, len(months) - 0.5)
        unit = "%" if form is Form.SHARE else definition.unit
        figure.text(0.01, 1 - 0.2 / height, f"{title} ({unit})", ha="left", va="center", fontsize=10.5)
        if without:
            text = textwrap.shorten(
                f"No month has a value in: {', '.join(without)}.", 150, placeholder=" ..."
            )
            figure.text(0.01, 0.1 / height, text, ha="left", va="center", fontsize=8, color=_QUIET)
        if len(valued) > len(shown):
            figure.text(
                0.99,
                0.01,
                f"{len(valued) - len(shown)} more care areas are in the table",
                ha="right",
                fontsize=8,
            )

    return _svg((10.4, 0.9 + 1.35 * deep), draw)


def _points(axis: Any, months: list[str], own: list[dict[str, Any]], scale: float) -> None:
    place = {month: number for number, month in enumerate(months)}
    line = [math.nan] * len(months)
    for row in own:
        at = place[row["month"]]
        if row["value"] is None:
            axis.plot(
                [at], [0.07], marker="x", markersize=4.5, color=_QUIET, linestyle="",
                transform=axis.get_xaxis_transform(),
            )  # fmt: skip
            continue
        value = scale * row["value"]
        line[at] = value
        if row["low95"] is not None and row["high95"] is not None:
            axis.plot([at, at], [scale * row["low95"], scale * row["high95"]], color=_BLUE, linewidth=1.4)
        filled = row["status"] == "ok"
        axis.plot(
            [at], [value], marker="o", markersize=4.6, linestyle="", markeredgecolor=_BLUE,
            markerfacecolor=_BLUE if filled else "white", clip_on=False,
        )  # fmt: skip
    axis.plot(range(len(months)), line, color=_BLUE, linewidth=0.7, alpha=0.55)


def draw_use(rows: pa.Table) -> str:
    """Draw how many infusions began each month, by library use.

    Parameters
    ----------
    rows
        What `exploring.use_by_month` gives.

    Returns
    -------
    str
        One SVG document: counts, stacked.
    """
    told = rows.to_pylist()
    if not told:
        return _empty("No infusion began in what is chosen.")
    months = sorted({row["month"] for row in told})
    counts = {(row["month"], row["library_use"]): row["infusions"] for row in told}

    def draw(figure: Any) -> None:
        axis = figure.subplots()
        figure.subplots_adjust(left=0.075, right=0.7, top=0.86, bottom=0.13)
        base = [0] * len(months)
        for use, (label, colour, hatch) in USES.items():
            heights = [counts.get((month, use), 0) for month in months]
            axis.bar(
                range(len(months)), heights, 0.62, bottom=base, color=colour, hatch=hatch, label=label,
                edgecolor="white", linewidth=0.6,
            )  # fmt: skip
            base = [below + height for below, height in zip(base, heights, strict=True)]
        for at, total in enumerate(base):
            axis.text(at, total, f"{total}", ha="center", va="bottom", fontsize=8.5)
        axis.grid(axis="y", color=_RULE, linewidth=0.6)
        axis.set_axisbelow(True)
        step = max(1, math.ceil(len(months) / 10))
        axis.set_xticks(range(0, len(months), step), months[::step])
        axis.set_xlim(-0.6, max(len(months), 4) - 0.4)
        figure.text(0.01, 0.94, "Infusions that began, by library use", ha="left", va="center", fontsize=10.5)
        handles, labels = axis.get_legend_handles_labels()
        figure.legend(
            handles[::-1], labels[::-1], loc="center left", bbox_to_anchor=(0.71, 0.5), frameon=False
        )

    return _svg((10.4, 2.9), draw)


def draw_infusion(stretches: pa.Table, events: pa.Table) -> str:
    """Draw the rate of one infusion over time, and when what was logged.

    Parameters
    ----------
    stretches, events
        What `exploring.stretches_of` and `exploring.events_of` give.

    Returns
    -------
    str
        One SVG document: mL/h as steps, dotted where the pump was not running; below, a tick an event.
    """
    told = [row for row in stretches.to_pylist() if row["ended_local"] is not None]
    if not told:
        return _empty("This infusion has no stretch with a known end.")

    def draw(figure: Any) -> None:
        rate, below = figure.subplots(
            2, 1, sharex=True, gridspec_kw={"height_ratios": [3, 1], "hspace": 0.12}
        )
        figure.subplots_adjust(left=0.1, right=0.99, top=0.9, bottom=0.15)
        for row in told:
            value = row["rate_ml_h"] if row["rate_ml_h"] is not None else math.nan
            running = row["state"] in ("running", "bolus")
            # fmt: off
            rate.plot(
                [row["started_local"], row["ended_local"]], [value, value], solid_capstyle="butt",
                color=_BLUE if running else _QUIET, linewidth=2.2 if running else 1.2,
                linestyle="-" if running else ":",
            )
            # fmt: on
            rate.axvline(row["started_local"], color=_RULE, linewidth=0.6)
        rate.set_ylim(bottom=0)
        rate.set_ylabel("mL/h")
        rate.set_title("Rate as logged (dotted: not running)", loc="left", fontsize=9.5)
        warned = ("limit_alerted", "limit_overridden", "reprogrammed_within_limits", "attempt_cancelled")
        levels = {"limit alerts": 2, "alarms": 1, "other events": 0}
        for row in events.to_pylist():
            kind = row["kind"]
            level = 2 if kind in warned else 1 if kind.startswith("alarm_") else 0
            below.plot([row["at_local"]], [level], marker="|", markersize=9, color=_INK, linestyle="")
        below.set_yticks(list(levels.values()), list(levels), fontsize=8)
        below.set_ylim(-0.6, 2.6)
        below.xaxis.set_major_formatter(_clock_text(told[0]["started_local"], told[-1]["ended_local"]))

    return _svg((10.4, 3.0), draw)


def _clock_text(begins: datetime, ends: datetime) -> Any:
    import matplotlib.dates as dates

    formatter: Any = dates.DateFormatter
    return formatter("%d %b %H:%M" if (ends - begins).total_seconds() > 64800 else "%H:%M")


def _empty(sentence: str) -> str:
    def draw(figure: Any) -> None:
        figure.text(0.01, 0.5, sentence, ha="left", va="center", color=_QUIET)

    return _svg((10.4, 0.6), draw)


def _svg(size: tuple[float, float], draw: Any) -> str:
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=size, facecolor="white")
        FigureCanvasSVG(figure)
        draw(figure)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    # the svg element alone, so that it can stand in a page
    return text[text.index("<svg") :]
