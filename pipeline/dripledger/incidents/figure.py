"""The figure: rates and doses as steps, volume, alarms and limit alerts, gaps and doubt, on one time axis.

Readable in grey: what differs in meaning differs in form. Text stays text. The same trace gives the same
bytes.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from dripledger.incidents.axis import lay_out, ticks
from dripledger.incidents.model import Trace
from dripledger.incidents.moments import seconds_text
from dripledger.incidents.parts import Stretch
from dripledger.incidents.timeline import Line

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK, _QUIET, _PALE = "#1d2024", "#5f656c", "#d9d9d4"
_WIDTH_IN: Final = 10.2
_LANES: Final = 7
_RUNNING: Final = ("running", "bolus", "keep_open", "priming")
#: Half the width of the figure round one moment.
ZOOM: Final = timedelta(minutes=20)
_MARKS: Final = {"alert": "^", "override": "X", "finding": "o", "power": "s", "unread": "D"}
#: Kinds of event that are drawn as single marks: what is written beside each, and its form.
_MARKED: Final = {
    "limit_alerted": ("limit alert", "alert"), "limit_overridden": ("past limit, confirmed", "override"),
    "powered_on": ("on", "power"), "powered_off": ("off", "power"), "power_lost": ("power lost", "power"),
    "patient_changed": ("patient changed", "power"),
}  # fmt: skip


def mark_of(line: Line) -> tuple[str, str] | None:
    """Return what is written beside the mark of a line of the timeline, and its form; None: it has none."""
    if line.what_kind == "unread":
        return "unread record", "unread"
    return _MARKED.get(line.kind) if line.what_kind == "event" and line.kind else None


def dose_units(stretches: Iterable[Stretch]) -> list[str]:
    """Return the units of doses in stretches of one channel; their dose is drawn only where it is one."""
    return sorted({s.dose_unit for s in stretches if s.dose_unit and s.dose is not None})


def draw(trace: Trace, zone: ZoneInfo, *, round_at: datetime | None = None) -> str:
    """Draw a trace as SVG.

    Parameters
    ----------
    trace
        The trace.
    zone
        Zone of the axis.
    round_at
        Only the minutes round this moment; None: the whole widened window.

    Returns
    -------
    str
        One SVG document with real text, without a date; the same trace gives the same bytes.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    begins, ends = trace.window.begins_at, trace.window.ends_at
    if round_at is not None:
        begins, ends = round_at - ZOOM, round_at + ZOOM
    if ends <= begins:
        ends = begins + timedelta(minutes=1)
    channels = trace.channels or [""]
    settings: Any = {
        "svg.fonttype": "none", "svg.hashsalt": f"trace {'zoom' if round_at else 'whole'}",
        "font.family": "DejaVu Sans", "font.size": 8.5, "axes.edgecolor": _QUIET, "axes.linewidth": 0.7,
        "text.color": _INK, "axes.labelcolor": _INK, "xtick.color": _INK, "ytick.color": _INK,
        "hatch.linewidth": 0.6, "hatch.color": _QUIET, "axes.spines.top": False, "text.parse_math": False,
    }  # fmt: skip
    with mpl.rc_context(settings):
        heights = [ratio for _ in channels for ratio in (1.5, 0.8)] + [1.4 if _has_marks(trace) else 0.4]
        figure = Figure(figsize=(_WIDTH_IN, 0.9 + 1.15 * sum(heights)), facecolor="white")
        FigureCanvasSVG(figure)
        axes = figure.subplots(
            len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights, "hspace": 0.2}
        )[:, 0]
        figure.subplots_adjust(left=0.075, right=0.925, top=1 - 0.12 / (0.9 + sum(heights)), bottom=0.62 / (
            0.9 + 1.15 * sum(heights)) + 0.03)  # fmt: skip
        scale = _Scale(begins, ends)
        for number, channel in enumerate(channels):
            rate, volume = axes[2 * number], axes[2 * number + 1]
            stretches = [s for s in trace.stretches if s.channel == channel]
            _rates(rate, stretches, scale, channel)
            _volume(volume, stretches, scale)
            for one in (rate, volume):
                _doubts(one, trace, channel, stretches, scale, label=one is rate)
        _marks(axes[-1], trace, scale)
        for one in axes:
            _moments(one, trace, scale, round_at)
        bottom = axes[-1]
        told = ticks(begins, ends, zone)
        bottom.set_xticks([scale.x(moment) for moment, _ in told], [text for _, text in told])
        bottom.set_xlim(0, scale.x(ends))
        bottom.set_xlabel(f"local time, {zone.key}, by the pump's clock as corrected")
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


class _Scale:
    """Seconds since the axis begins."""

    def __init__(self, begins: datetime, ends: datetime) -> None:
        self.begins, self.ends = begins, ends
        self.length = (ends - begins).total_seconds()

    def x(self, moment: datetime) -> float:
        return (moment - self.begins).total_seconds()

    def touches(self, begins: datetime, ends: datetime) -> bool:
        return begins <= self.ends and ends >= self.begins


def _rates(axes: Axes, stretches: list[Stretch], scale: _Scale, channel: str) -> None:
    shown = [s for s in stretches if scale.touches(s.started_at, s.ended_at)]
    x: list[float] = [0.0]
    y: list[float] = [0.0]
    top = 0.0
    run = shown[0].clock_run if shown else 0
    for one in shown:
        rate = one.rate_ml_h if one.state in _RUNNING and one.rate_ml_h is not None else 0.0
        if one.state == "unknown":
            rate = float("nan")
        a, b = scale.x(one.started_at), scale.x(one.ended_at)
        if one.clock_run != run:
            # the same times again: a line of its own
            run = one.clock_run
            x += [x[-1], x[-1], a]
            y += [0.0, float("nan"), 0.0]
        if a > x[-1]:
            x += [x[-1], a]
            y += [0.0, 0.0]
        x += [a, b]
        y += [rate, rate]
        top = max(top, 0.0 if rate != rate else rate)
        if one.state == "bolus":
            axes.fill_between([a, b], [rate, rate], color=_PALE, linewidth=0)
    x += [x[-1], scale.length]
    y += [0.0, 0.0]
    axes.plot(x, y, color=_INK, linewidth=1.4, solid_joinstyle="miter")
    axes.set_ylim(0, top * 1.28 or 1)
    axes.set_ylabel(("channel " + channel if channel else "pump") + "\nrate, mL/h")
    _rate_labels(axes, shown, scale, top)
    _doses(axes, shown, scale)


def _rate_labels(axes: Axes, shown: list[Stretch], scale: _Scale, top: float) -> None:
    """Write rates over their steps where there is room for the text."""
    used = -1.0
    last = None
    run = shown[0].clock_run if shown else 0
    for one in shown:
        if one.clock_run != run:
            run, used, last = one.clock_run, -1.0, None
        if one.state not in _RUNNING or not one.rate_ml_h:
            last = None
            continue
        if one.rate_ml_h == last:
            continue
        last = one.rate_ml_h
        text = f"{one.rate_ml_h:.6g}"
        at = max(scale.x(one.started_at), 0.0)
        width = scale.length * 0.0085 * (len(text) + 1)
        if at < used or at + width > scale.length:
            continue
        axes.text(at + scale.length * 0.002, one.rate_ml_h + top * 0.03, text, fontsize=7.5, va="bottom")
        used = at + width


def _doses(axes: Axes, shown: list[Stretch], scale: _Scale) -> None:
    units = dose_units(shown)
    if len(units) != 1:
        if len(units) > 1:
            axes.text(
                1.0, 1.02, f"doses in {len(units)} units: see the timeline", transform=axes.transAxes,
                fontsize=7.5,
                ha="right", color=_QUIET,
            )  # fmt: skip
        return
    right = axes.twinx()
    top = 0.0
    x: list[float] = []
    y: list[float] = []
    for one in shown:
        known = one.dose is not None and one.state in ("running", "bolus")
        x += [scale.x(one.started_at), scale.x(one.ended_at)]
        y += [float(one.dose or 0.0) if known else float("nan")] * 2
        top = max(top, float(one.dose or 0.0) if known else 0.0)
    right.plot(x, y, color=_QUIET, linewidth=1.3, linestyle=(0, (1, 1.4)))
    # a scale of its own, a little apart, so that the two lines do not lie on each other
    right.set_ylim(0, top * 1.5 or 1)
    right.set_ylabel(f"dose, {units[0]}", color=_QUIET)
    right.spines["top"].set_visible(False)


def _volume(axes: Axes, stretches: list[Stretch], scale: _Scale) -> None:
    x, y, total = [0.0], [0.0], 0.0
    base = 0.0
    run = stretches[0].clock_run if stretches else 0
    for one in stretches:
        a, b = scale.x(one.started_at), scale.x(one.ended_at)
        gain = one.volume_ml or 0.0
        if one.clock_run != run:
            run = one.clock_run
            x.append(x[-1])
            y.append(float("nan"))
        if b <= 0:
            base += gain
            continue
        if a < 0 < b:
            base += gain * -a / (b - a)
            gain, a = gain * b / (b - a), 0.0
        if a > scale.length:
            continue
        if b > scale.length:
            gain, b = gain * (scale.length - a) / (b - a), scale.length
        x += [a, b]
        y += [total, total + gain]
        total += gain
    x.append(scale.length)
    y.append(total)
    axes.plot(x, y, color=_INK, linewidth=1.2)
    axes.set_ylim(0, total * 1.15 or 1)
    axes.set_ylabel("pumped,\nmL")
    axes.spines["right"].set_visible(False)


def _doubts(
    axes: Axes, trace: Trace, channel: str, stretches: list[Stretch], scale: _Scale, *, label: bool
) -> None:
    for one in stretches:
        if one.state == "unknown" and scale.touches(one.started_at, one.ended_at):
            _hatch(axes, scale, one.started_at, one.ended_at, "///", "unknown" if label else "")
    for hole in trace.holes:
        if hole.is_gap and scale.touches(hole.begins_at, hole.ends_at):
            _hatch(
                axes, scale, hole.begins_at, hole.ends_at, "xx", "records missing" if label else "", low=True
            )
        elif hole.channel in ("", channel) and scale.touches(hole.begins_at, hole.ends_at):
            axes.axvline(scale.x(hole.begins_at), color=_QUIET, linewidth=0.8, linestyle=(0, (4, 2)))


def _hatch(
    axes: Axes, scale: _Scale, begins: datetime, ends: datetime, pattern: str, text: str, *, low: bool = False
) -> None:
    a, b = max(scale.x(begins), 0.0), min(scale.x(ends), scale.length)
    # missing records lie low, so that they can be told from an unknown state over the whole height
    axes.axvspan(
        a, b, ymax=0.26 if low else 1.0, facecolor="none", edgecolor=_QUIET, hatch=pattern, linewidth=0.5
    )
    if text and (b - a) > scale.length * 0.009 * len(text):
        axes.text(
            (a + b) / 2, 0.12 if low else 0.88, text, transform=axes.get_xaxis_transform(), ha="center",
            va="center",
            fontsize=7.5, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )  # fmt: skip


def _has_marks(trace: Trace) -> bool:
    return bool(trace.alarms) or any(mark_of(line) is not None for line in trace.lines)


def _marks(axes: Axes, trace: Trace, scale: _Scale) -> None:
    """Draw alarms as bars and single moments as marks, each with its label in a lane of its own."""
    marks: list[tuple[float, str, str]] = []
    many = len(trace.channels) > 1
    for line in trace.lines:
        if not scale.touches(line.at, line.at):
            continue
        where = f" {line.channel}" if many and line.channel else ""
        if (told := mark_of(line)) is not None:
            word, form = told
            marks.append((scale.x(line.at), word if form == "unread" else word + where, form))
    bars = {}
    for alarm in trace.alarms:
        ends = alarm.cleared_at or alarm.ended_at or alarm.raised_at
        if scale.touches(alarm.raised_at, ends):
            where = f" {alarm.channel}" if many and alarm.channel else ""
            length = "" if alarm.seconds is None else f", {seconds_text(alarm.seconds)}"
            text = f"{alarm.kind.replace('_', ' ')}{where}{length}"
            at = max(scale.x(alarm.raised_at), 0.0)
            marks.append((at, text, "alarm"))
            bars[(at, text)] = (min(scale.x(ends), scale.length), alarm.stopped_delivery is True)
    placed, left_out = lay_out(marks, scale.length * 0.0076, scale.length, _LANES)
    for one in placed:
        height = _LANES - 1 - one.lane
        x = one.at
        if one.mark == "alarm":
            end, stops = bars[(one.at, one.text)]
            axes.plot([x, max(end, x + scale.length * 0.002)], [height - 0.32] * 2, color=_INK,
                      linewidth=4 if stops else 1.6, solid_capstyle="butt")  # fmt: skip
            axes.plot([x], [height], marker="|", color=_INK, markersize=5)
        else:
            axes.plot([x], [height], marker=_MARKS[one.mark], color=_INK, markersize=4.5,
                      markerfacecolor=_INK if one.mark in ("alert", "override") else "white",
                      linewidth=0)  # fmt: skip
        width = scale.length * 0.0076 * (len(one.text) + 3)
        to_left = x + width > scale.length
        axes.text(x + (-1 if to_left else 1) * scale.length * 0.007, height, one.text, fontsize=7.5,
        va="center",
                  ha="right" if to_left else "left")  # fmt: skip
    axes.set_ylim(-0.8, _LANES - 0.4)
    axes.set_yticks([])
    if placed:
        axes.set_ylabel("alarms,\nalerts, power")
    else:
        axes.text(0.004, 0.5, "no alarm, limit alert or power event was logged here",
        transform=axes.transAxes,
                  fontsize=7.5, va="center", color=_QUIET)  # fmt: skip
    axes.spines["right"].set_visible(False)
    if left_out:
        axes.text(
            1.0, 1.01, f"{left_out} more without room: see the timeline", transform=axes.transAxes,
            fontsize=7.5,
            ha="right", va="bottom", color=_QUIET,
        )  # fmt: skip


def _moments(axes: Axes, trace: Trace, scale: _Scale, round_at: datetime | None) -> None:
    """Mark the asked window and the named moment, each with the doubt of the clock as a band."""
    named = [trace.at] if trace.at is not None else []
    edges = [] if round_at is not None else [trace.window.asked_from, trace.window.asked_to]
    for moment in [*edges, *named]:
        x = scale.x(moment)
        if 0 <= x <= scale.length:
            axes.axvspan(
                max(x - trace.clock_s, 0), min(x + trace.clock_s, scale.length), color="#b9b9b2", alpha=0.6,
                linewidth=0,
            )  # fmt: skip
            axes.axvline(x, color=_INK, linewidth=0.9, linestyle="-" if moment in named else (0, (1, 2)))
