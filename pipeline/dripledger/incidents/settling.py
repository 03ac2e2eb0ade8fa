"""When what a hole in the log left open of a channel is settled by what came after it."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from dripledger.incidents.case import Case
from dripledger.incidents.doubts import MAY_STOP, POWER, SETS, Hole
from dripledger.incidents.rows import Row

_BEGINS: Final = frozenset({"infusion_started", "infusion_resumed"})
#: What is logged of a channel only while it runs.
_RUNS: Final = frozenset({
    "infusion_paused", "infusion_completed", "kvo_started", "bolus_started", "bolus_ended",
    "dose_cycle_started", "dose_cycle_ended",
})  # fmt: skip


def rate_told_at(case: Case, channel: str, hole: Hole) -> datetime:
    """Return when the rate of a channel is told again after a hole: what was not read may have changed it.

    Only what sets the programme of a channel that runs tells it: that it runs proves nothing of its rate, and
    a rate that is set while it stands still nothing of what flows. A stop, a completion or power ends the
    doubt too; where nothing does, it reaches to the end of the window.
    """
    told = _rate_told(case, channel, hole)
    at: datetime = max(hole.ends_at, case.window.ends_at) if told is None else told["occurred_at"]
    return max(at, hole.begins_at)


def _rate_told(case: Case, channel: str, hole: Hole) -> Row | None:
    later = _after(case, hole, channel)
    for place, event in enumerate(later):
        if event["kind"] in POWER or event["kind"] == "infusion_stopped":
            return event
        if event["kind"] in SETS and _tells_rate(event) and _state_at(case, event) == "running":
            return event
        # kept open at a rate of which the rebuilt infusions know nothing
        kept_open = [e for e in later[place + 1 : place + 2] if e["kind"] == "kvo_started"]
        if event["kind"] == "infusion_completed" and all(
            _state_at(case, e) == "keep_open" for e in kept_open
        ):
            return event
    return None


def flow_proved_at(case: Case, channel: str, hole: Hole) -> datetime:
    """Return until when a channel may have stood still although a rate was told after a hole.

    A change of the rate counts as running. But where what was lost was a pause, the rate was set in it, and
    nothing flowed until the start or the end that comes next. What is logged only of a channel that runs
    settles it.
    """
    told = _rate_told(case, channel, hole)
    at = rate_told_at(case, channel, hole)
    if told is None or told["kind"] not in SETS - _BEGINS or told["running_logged"]:
        return at
    for event in _after(case, hole, channel):
        if event["place"] <= told["place"]:
            continue
        stops = event["kind"] in MAY_STOP and event["stops_delivery"]
        if event["kind"] in _RUNS or event["running_logged"] or stops:
            return at
        if event["kind"] in _BEGINS or event["kind"] in POWER or event["kind"] == "infusion_stopped":
            ended: datetime = event["occurred_at"]
            return max(at, ended)
    return max(at, case.window.ends_at)


def unproved_beginnings(case: Case, channel: str) -> list[tuple[datetime, datetime]]:
    """Return when a channel may have stood still, where its log begins with a change of the rate.

    That counts as running too, and may have been made in a pause that began before the log.
    """
    found = []
    for infusion in case.infusions:
        if infusion["channel"] != channel or infusion["start_kind"] != "missing":
            continue
        first = str(infusion["infusion_id"]).split(":")[0]
        place = next((e["place"] for e in case.events if e["event_id"] == first), None)
        if place is not None:
            at = infusion["started_at"]
            found.append((at, flow_proved_at(case, channel, Hole(at, at, channel, "", False, first, place))))
    return found


def drug_told_at(case: Case, channel: str, hole: Hole) -> datetime:
    """Return when entry and strength of a channel are told again after a hole, or cleared by power.

    A start tells what is logged with it: what is not, stays as it was.
    """
    entry = strength = False
    for event in _after(case, hole, channel):
        if event["kind"] in SETS:
            entry = entry or event["entry"] is not None
            strength = strength or event["concentration_value"] is not None
        if (entry and strength) or event["kind"] in POWER:
            at: datetime = event["occurred_at"]
            return max(at, hole.begins_at)
    return max(hole.ends_at, case.window.ends_at)


def _after(case: Case, hole: Hole, channel: str) -> list[Row]:
    """Return what was logged of a channel, and of the power of its pump, after a hole."""
    return [
        e for e in case.events
        if e["place"] >= hole.place and (e["channel"] == channel or e["kind"] in POWER)
    ]  # fmt: skip


def _tells_rate(event: Row) -> bool:
    """Whether an event tells the rate: itself, or as a dose with all that the rate follows from."""
    if event["rate_ml_h"] is not None:
        return True
    if event["dose_value"] is None or event["concentration_value"] is None:
        return False
    return "/kg" not in str(event["dose_unit"]) or event["weight_kg"] is not None


def _state_at(case: Case, event: Row) -> str | None:
    """Return the state that a channel is in from an event on, as rebuilt; None: it does not run at all."""
    states = [
        str(s["state"]) for s in case.segments
        if s["channel"] == event["channel"] and s["clock_run"] == event["clock_run"]
        and s["started_at"] <= event["occurred_at"] < s["ended_at"]
    ]  # fmt: skip
    return states[-1] if states else None
