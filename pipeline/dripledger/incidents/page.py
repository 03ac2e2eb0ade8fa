"""What a page shows of a trace: every value as text already, so that HTML and PDF say the same."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from dripledger.incidents.amounts import Bounds, Pumped
from dripledger.incidents.model import Trace
from dripledger.incidents.moments import local_text, seconds_text, utc_text
from dripledger.incidents.parts import Infusion
from dripledger.incidents.timeline import Line
from dripledger.incidents.words import number
from dripledger.schema import EVENT_KINDS

#: Which kinds people mean by one word; for the list of what a log cannot show.
_TOPICS: Final = {
    "limit alerts and what was done after them": (
        "limit_alerted", "limit_overridden", "reprogrammed_within_limits", "attempt_cancelled",
    ),
    "alarms": ("alarm_raised", "alarm_updated", "alarm_silenced", "alarm_cleared"),
    "doors, sets and syringes": ("door_opened", "door_closed", "set_or_syringe_loaded"),
    "boluses": ("bolus_started", "bolus_ended"),
    "priming": ("priming_started", "priming_ended"),
    "demands of the patient": ("demand_requested", "demand_given", "demand_refused"),
    "orders": ("order_received", "order_accepted", "order_rejected"),
    "library updates": ("library_received", "library_installed"),
    "standby": ("standby_entered", "standby_left"),
    "the network": ("communication_lost", "communication_restored"),
    "power": ("powered_on", "powered_off", "power_source_changed", "power_lost"),
}  # fmt: skip


def page_of(trace: Trace, zone: ZoneInfo, captions: list[str]) -> dict[str, Any]:
    """Return the page: nested lists and mappings of text, in the order in which they are shown."""
    window = trace.window
    widened = window.begins_at < window.asked_from or window.ends_at > window.asked_to
    channel = "all channels" if trace.channel is None else f"channel {trace.channel}"
    return {
        "title": f"Pump {trace.pump_id}",
        "subtitle": f"{trace.stamp.facility}; {channel}",
        "asked": _span(window.asked_from, window.asked_to, zone),
        "widened": _span(window.begins_at, window.ends_at, zone) if widened else "",
        "cautions": trace.cautions,
        "empty": empty_sentence(trace, zone) if trace.is_empty else "",
        "clock": trace.clock,
        "captions": captions,
        "findings": [_finding(trace, f, zone) for f in trace.findings],
        "pumped": [_pumped(p, zone) for p in trace.pumped],
        "infusions": [_infusion(i, zone) for i in trace.infusions],
        "alarms": [
            [
                local_text(a.raised_at, zone), a.channel or "pump", a.kind.replace("_", " "),
                a.priority or "not stated",
                "not logged" if a.seconds is None else seconds_text(a.seconds),
                {True: "yes", False: "no", None: "not known"}[a.stopped_delivery],
            ]
            for a in trace.alarms
        ],
        "lines": [_line(line, zone) for line in trace.lines],
        "not_logged": [[source, _topics(kinds)] for source, kinds in trace.not_logged],
        "stamp": [
            ["Store version", str(trace.stamp.store_version)],
            ["Committed", trace.stamp.committed_at],
            ["Digest of the commits up to it", trace.stamp.chain_sha256],
            ["Version of the program", trace.stamp.code_version],
            ["Time zone", trace.stamp.time_zone],
        ],
    }  # fmt: skip


def _span(begins: datetime, ends: datetime, zone: ZoneInfo) -> str:
    return f"{local_text(begins, zone)} to {local_text(ends, zone)}"


def empty_sentence(trace: Trace, zone: ZoneInfo) -> str:
    """Say that a window is empty, and what that means."""
    return (
        f"The store holds nothing of pump {trace.pump_id} from "
        f"{local_text(trace.window.asked_from, zone)} to "
        f"{local_text(trace.window.asked_to, zone)}: no event, no running infusion and no record that "
        "could not be "
        "read. The pump may have been off, or its log of that time was never read."
    )


def _finding(trace: Trace, f: Any, zone: ZoneInfo) -> dict[str, str]:
    place = {line.event_id: n for n, line in enumerate(trace.lines, 1) if line.event_id}
    rows = [str(place[e]) for e in f.evidence if e in place]
    where = " ".join(part for part in (f"channel {f.channel}" if f.channel else "", f.entry or "") if part)
    return {
        "title": f.title, "word": f.word, "at": local_text(f.at, zone), "where": where, "what": f.what,
        "alternative": f.alternative, "threshold": f.threshold, "name": f.name,
        "evidence": f"line {', '.join(rows)}" if rows else "outside the timeline",
    }  # fmt: skip


def bounds_text(bounds: Bounds, unit: str) -> str:
    """Return a quantity with its bounds: never one number where the log allows two."""
    seen = f"{number(bounds.seen)} {unit}"
    low, high = number(bounds.low), number(bounds.high)
    if bounds.open:
        at_most = (
            "" if high == number(bounds.seen) else f" ({high} if it ran on at the highest rate beside it)"
        )
        return f"{seen} seen; at least {low}, and no upper bound{at_most}"
    if low == high == number(bounds.seen):
        return seen
    return f"{seen} seen; between {low} and {high}"


def _pumped(p: Pumped, zone: ZoneInfo) -> dict[str, Any]:
    reported = [
        f"{number(r.reported_ml)} mL by the pump's own counter ({r.scope.replace('_', ' ')}), "
        f"{number(r.computed_ml)} mL by rate x time, difference {number(r.difference_ml)} mL; both from "
        f"{local_text(r.first_at, zone)} to {local_text(r.last_at, zone)}"
        for r in p.reported
    ]
    reported += [
        f"the pump's own counter was lower at {local_text(at, zone)} than at its reading before, with no "
        "reset logged: what it counted between these two is in no total of its own"
        for at in p.fell_at
    ]
    states = ", ".join(f"{state.replace('_', ' ')} {number(v)} mL" for state, v in p.by_state_ml.items())
    return {
        "channel": p.channel or "pump",
        "span": _span(p.begins_at, p.ends_at, zone),
        "volume": bounds_text(p.volume_ml, "mL"),
        "states": states,
        "drugs": [f"{d.entry}: {bounds_text(d.amount, d.unit)}" for d in p.drugs],
        "unknown": f"nobody can say what flowed for {seconds_text(p.unknown_s)} of it" if p.unknown_s else "",
        "why": p.why_open,
        "reported": reported or ["the log holds no total of the pump's own for this stretch"],
    }


def _infusion(i: Infusion, zone: ZoneInfo) -> list[str]:
    volume = "not known" if i.volume_ml is None else f"{number(i.volume_ml)} mL"
    if i.amount is not None:
        volume += f", {number(i.amount)} {i.amount_unit}"
    if i.volume_reported_ml is not None:
        volume += f" (pump's own, last read: {number(i.volume_reported_ml)} mL)"
    doubts = [word for flag, word in ((i.uncertain, "uncertain"), (i.false_start, "false start")) if flag]
    ended = "open" if i.ended_at is None else local_text(i.ended_at, zone)
    use = (i.library_use or "unknown").replace("_", " ")
    return [
        str(i.number), i.channel, f"{local_text(i.started_at, zone)} ({i.start_kind.replace('_', ' ')})",
        f"{ended} ({i.end_kind.replace('_', ' ')})", i.entry or "no entry",
        f"{use}, {i.library_version or 'version not logged'}",
        i.care_area or "none selected", volume, i.limits or "none known", ", ".join(doubts),
    ]  # fmt: skip


def _line(line: Line, zone: ZoneInfo) -> dict[str, str]:
    notes = []
    if line.rate_from_dose_ml_h is not None:
        notes.append(f"rate by dose: {number(line.rate_from_dose_ml_h)} mL/h")
    if line.dose_from_rate is not None:
        notes.append(f"dose by rate: {number(line.dose_from_rate)} {line.dose_unit or ''}".strip())
    drug = [
        line.entry,
        line.concentration,
        None if line.weight_kg is None else f"{number(line.weight_kg)} kg",
    ]
    if line.patient:
        drug.append(f"patient {line.patient}")
    if line.order:
        drug.append(f"order {line.order}")
    volume = "" if line.volume_ml is None else f"{number(line.volume_ml)} mL"
    if line.amount is not None:
        volume += f"; {number(line.amount)} {line.amount_unit}"
    source = "" if line.source_record is None else f"{line.source_file_sha256[:12]} / {line.source_record}"
    return {
        "what_kind": line.what_kind,
        "local": local_text(line.at, zone),
        "utc": utc_text(line.at),
        "clock": line.pump_clock,
        "doubt": line.doubt,
        "channel": line.channel or ("pump" if line.what_kind in ("event", "aside") else ""),
        "what": line.what,
        "both": "; ".join(notes),
        "drug": ", ".join(part for part in drug if part),
        "limits": line.limits,
        "area": line.care_area or "",
        "use": (line.library_use or "").replace("_", " "),
        "state": "" if line.state is None else line.state.replace("_", " "),
        "volume": volume,
        "source": source,
        "sequence": "" if line.sequence is None else str(line.sequence),
    }


def _topics(kinds: list[str]) -> list[str]:
    """Return in words what a source cannot log: whole topics where all of their kinds are missing."""
    missing = set(kinds)
    told = []
    for topic, members in _TOPICS.items():
        if missing.issuperset(members):
            told.append(topic)
            missing -= set(members)
    return told + [EVENT_KINDS[kind] for kind in EVENT_KINDS if kind in missing]
