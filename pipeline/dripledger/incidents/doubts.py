"""What the log leaves open: how far the clock is off, which stretches are missing, what is never logged."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from dripledger.incidents.case import Case, kinds_logged
from dripledger.incidents.moments import seconds_text
from dripledger.schema import EVENT_KINDS

Row = dict[str, Any]
#: Clocks go back or forward by one hour; the only zone with half an hour is no hospital's of ours (common
#: practice, no source), and an hour is the wider doubt.
HOUR_S: Final = 3600.0


@dataclass(frozen=True)
class ClockDoubt:
    """How far the times of a case may be from true time.

    Parameters
    ----------
    resolution_s
        Smallest step in which the log writes time.
    offsets_s
        Clock errors that were corrected for, sorted; 0 where none was.
    declared
        Whether clocks.csv says anything of this pump.
    ambiguous, nonexistent
        Events in the repeated hour that nothing settles; in the hour that does not exist.
    ahead_at_least_s, behind_at_most_s
        What the server's times of receipt prove, if the server's clock is right; None: none was logged.
    given_s
        What the person who traces allows on top, either way.
    """

    resolution_s: float
    offsets_s: tuple[float, ...]
    declared: bool
    ambiguous: int
    nonexistent: int
    ahead_at_least_s: float | None
    behind_at_most_s: float | None
    given_s: float

    @property
    def either_way_s(self) -> float:
        """By how much the whole timeline may stand too early or too late, as far as anybody has said."""
        return self.given_s + self.resolution_s

    def caution(self) -> str:
        """Say in one sentence by how much the pump's clock may differ from the chart's and the monitors'."""
        told = "This pump's clock may differ from the chart's and the monitors' "
        corrected = [offset for offset in self.offsets_s if offset]
        if self.given_s:
            told += f"by up to {seconds_text(self.either_way_s)} either way, as far as whoever traced allows"
        else:
            told += "by an amount that nobody has measured"
        if corrected:
            words = ", ".join(f"{seconds_text(abs(o))} {'fast' if o > 0 else 'slow'}" for o in corrected)
            told += f", beyond what clocks.csv says and is corrected here ({words})"
        return f"{told}."

    def sentences(self) -> list[str]:
        """Return the doubt in plain words."""
        told = []
        corrected = [offset for offset in self.offsets_s if offset]
        if corrected:
            words = ", ".join(f"{seconds_text(abs(o))} {'fast' if o > 0 else 'slow'}" for o in corrected)
            told.append(
                f"clocks.csv says that this pump's clock ran {words}; times here are corrected for that. The "
                "clock reading as logged stands beside each event."
            )
        elif self.declared:
            told.append("clocks.csv names this pump, with no error in this window.")
        else:
            told.append(
                "Nobody has compared this pump's clock with another one (clocks.csv does not name it): "
                "how far "
                "it was from true time is not known."
            )
        if self.given_s:
            told.append(
                f"Whoever traced allows {seconds_text(self.given_s)} either way; the bounds below rest on it."
            )
        told.append(f"The log writes times in steps of {seconds_text(self.resolution_s)}.")
        if self.ambiguous:
            told.append(
                f"{self.ambiguous} {_events(self.ambiguous)} in the repeated hour, and nothing tells "
                "which one: "
                "read as the earlier, they may be an hour later."
            )
        if self.nonexistent:
            told.append(
                f"{self.nonexistent} {_events(self.nonexistent)} in the hour that the clocks skip: an hour "
                "earlier or later."
            )
        if self.ahead_at_least_s is not None and self.ahead_at_least_s > 0:
            told.append(
                f"Some events reached the server {seconds_text(self.ahead_at_least_s)} before they "
                "happened by "
                "the pump's clock: if the server is right, the pump was at least so far ahead."
            )
        if self.behind_at_most_s is not None and self.behind_at_most_s >= 0:
            told.append(
                f"The shortest way from pump to server took {seconds_text(self.behind_at_most_s)}: if "
                "the server "
                "is right, the pump's clock was at most so far behind."
            )
        return told


def _events(count: int) -> str:
    return "event lies" if count == 1 else "events lie"


def clock_doubt(case: Case, given_s: float = 0.0) -> ClockDoubt:
    """Return how far the times of a case may be off."""
    events = case.events
    lags = [
        (event["received_at"] - event["occurred_at"]).total_seconds()
        for event in events
        if event["received_at"] is not None
    ]
    least = min(lags, default=None)
    return ClockDoubt(
        resolution_s=max((float(e["time_resolution_s"]) for e in events), default=1.0),
        offsets_s=tuple(sorted({float(e["clock_offset_s"]) for e in events})),
        declared=any(row.pump == case.pump_id for row in case.site.clocks),
        ambiguous=sum(e["time_quality"] == "ambiguous" for e in events),
        nonexistent=sum(e["time_quality"] == "nonexistent" for e in events),
        ahead_at_least_s=None if least is None else max(0.0, -least),
        behind_at_most_s=least,
        given_s=given_s,
    )


def own_doubt(event: Mapping[str, Any]) -> tuple[float, float]:
    """Return by how many seconds one event may have been (earlier, later) than it stands."""
    step = float(event["time_resolution_s"])
    if event["time_quality"] == "ambiguous":
        return step, HOUR_S + step
    if event["time_quality"] == "nonexistent":
        return HOUR_S + step, HOUR_S + step
    return step, step


@dataclass(frozen=True)
class Hole:
    """A stretch in which something was or may have been logged that nobody could read.

    Parameters
    ----------
    begins_at, ends_at
        From the last record before it to the first after it; where a record says nothing, from that to the
        channel's next event that shows whether it runs.
    channel
        The channel that it concerns; '' for all.
    why
        What is missing, in words.
    is_gap
        Whether numbers are missing, as against a record that is there and says nothing.
    event_id
        The event that ends it, or that it begins with.
    place
        What stands at this place of the pump's order, or later, came after it.
    """

    begins_at: datetime
    ends_at: datetime
    channel: str
    why: str
    is_gap: bool
    event_id: str
    place: int


#: What proves that a channel ran up to it, and so that nothing unseen had stopped it (the rule of the rebuilt
#: infusions); and what the whole pump does that ends all doubt.
_PROVES: Final = frozenset({
    "infusion_started", "infusion_resumed", "dose_cycle_started", "dose_cycle_ended", "rate_changed",
    "programme_changed", "bolus_started", "bolus_ended", "infusion_paused", "infusion_completed",
    "infusion_stopped", "kvo_started",
})  # fmt: skip
MAY_STOP: Final = frozenset({"alarm_raised", "alarm_updated", "fault_logged"})
POWER: Final = frozenset({"powered_off", "power_lost", "powered_on"})
#: What sets the programme of a channel, and with it the rate or dose at which it runs on.
SETS: Final = frozenset({
    "infusion_started", "infusion_resumed", "rate_changed", "programme_changed", "library_bypassed",
})  # fmt: skip
#: Later than any place of an event.
_NOWHERE: Final = 10**15


def _unread(
    case: Case, begins: datetime, channel: str, later: Sequence[Row], why: str, event_id: str
) -> list[Hole]:
    """Return what a record that says nothing leaves open: each channel until it shows whether it runs."""
    grown = {r["event_id"] for r in case.readings if (r["grown_ml"] or 0) > 0}
    place = min((e["place"] for e in later), default=_NOWHERE)
    ends: dict[str, datetime] = {}
    for one in [channel] if channel else case.channels or [""]:
        shown = [
            e["occurred_at"]
            for e in later
            if e["kind"] in POWER
            or (e["channel"] == one and (
                e["kind"] in _PROVES or e["running_logged"] or e["event_id"] in grown
                or (e["kind"] in MAY_STOP and e["stops_delivery"])
            ))
        ]  # fmt: skip
        ends[one] = max(begins, min(shown, default=case.window.ends_at))
    if len(set(ends.values())) == 1:
        ends = {channel: next(iter(ends.values()))}
    return [Hole(begins, end, one, why, False, event_id, place) for one, end in ends.items()]


def holes(case: Case) -> list[Hole]:
    """Return every stretch of the case that the log leaves open, in order."""
    found = [
        Hole(
            min(g["occurred_before"], g["occurred_at"]), g["occurred_at"], "", gap_words(g), True,
            str(g["event_id"]), g["place"],
        )
        for g in case.gaps
    ]  # fmt: skip
    for row in case.unread:
        if any(h.begins_at <= row["at"] <= h.ends_at and h.is_gap for h in found):
            continue
        why = f"a record that cannot be read ({', '.join(row['reasons'])})"
        later = [e for e in case.events if e["occurred_at"] > row["at"]]
        found += _unread(case, row["at"], "", later, why, "")
    for event in case.events:
        if event["kind"] != "other":
            continue
        why = f"an event with a label that nobody has filed: {event['kind_logged'] or ''}"
        later = [e for e in case.events if e["place"] > event["place"]]
        found += _unread(
            case, event["occurred_at"], str(event["channel"]), later, why, str(event["event_id"])
        )
    for channel in case.channels:
        found += _unordered(case, channel)
    return sorted(found, key=lambda h: (h.begins_at, h.ends_at, h.channel, h.why))


#: What changes whether a channel runs, or at what.
_CHANGES: Final = _PROVES | MAY_STOP | POWER | {
    "library_bypassed", "patient_changed", "standby_entered", "standby_left", "door_opened",
    "priming_started", "priming_ended", "other",
}  # fmt: skip
UNORDERED: Final = "events in the repeated or skipped hour that no number puts in order"


def _unordered(case: Case, channel: str) -> list[Hole]:
    """Return where events may have come in another order than they are read in: which of them count is open.

    One alone changes no order. In the repeated hour any two may have; one in the skipped hour, and any within
    an hour of it.
    """
    own = [e for e in case.events if e["channel"] in ("", channel) and e["kind"] in _CHANGES]
    doubtful = [e for e in own if e["time_quality"] in ("ambiguous", "nonexistent") and not _is_numbered(e)]
    reach = {e["event_id"]: _reach(e) for e in doubtful}
    met = [
        e for e in doubtful
        if any(
            o["event_id"] != e["event_id"]
            and _reach(o)[0] < reach[e["event_id"]][1] and reach[e["event_id"]][0] < _reach(o)[1]
            for o in own
        )
    ]  # fmt: skip
    found: list[list[Row]] = []
    for event in sorted(met, key=lambda e: (reach[e["event_id"]][0], e["place"])):
        if found and reach[event["event_id"]][0] < max(reach[e["event_id"]][1] for e in found[-1]):
            found[-1].append(event)
        else:
            found.append([event])
    return [
        Hole(
            min(reach[e["event_id"]][0] for e in group), max(reach[e["event_id"]][1] for e in group), channel,
            UNORDERED, False, "", max(e["place"] for e in group) + 1,
        )
        for group in found
    ]  # fmt: skip


def _is_numbered(event: Row) -> bool:
    return event["sequence"] is not None and bool(event["sequence_reliable"])


def _reach(event: Row) -> tuple[datetime, datetime]:
    back, on = own_doubt(event)
    return event["occurred_at"] - timedelta(seconds=back), event["occurred_at"] + timedelta(seconds=on)


def gap_words(gap: Mapping[str, Any]) -> str:
    """Return a hole in the counter in words."""
    first, last = gap["sequence_before"] + 1, gap["sequence"] - 1
    numbers = f"number {first}" if first == last else f"numbers {first} to {last}"
    missing, waiting, perhaps = int(gap["missing"]), int(gap["waiting"]), int(gap["perhaps"])
    told = []
    if missing:
        told.append(f"{missing} {'record' if missing == 1 else 'records'} missing")
    if perhaps:
        one = "it is" if missing == 1 else f"{perhaps} of them {'is' if perhaps == 1 else 'are'}"
        unread = "the one that waits" if perhaps == 1 else "those that wait"
        whose = "its" if first == last else "their"
        told.append(f"or {one} {unread} unread between {whose} neighbours in the file")
    if waiting:
        told.append(f"{waiting} there but unreadable")
    return f"{numbers}: {', '.join(told) or 'nothing is missing'}"


def not_logged(case: Case) -> list[tuple[str, list[str]]]:
    """Return, for each source of the case, the kinds that its log cannot show, in the schema's words."""
    found = []
    for source, kinds in sorted(kinds_logged(case).items()):
        missing = [] if "all" in kinds else [k for k in EVENT_KINDS if k not in kinds and k != "other"]
        found.append((source, missing))
    return found


def losses_unseen(case: Case) -> list[tuple[str, int, int]]:
    """Return the sources of the case in whose log a lost record leaves no trace.

    Returns
    -------
    list of tuple
        (source, its events here that carry no number which tells a loss, all of its events here).
    """
    every: Counter[str] = Counter(str(event["source_name"]) for event in case.events)
    unnumbered: Counter[str] = Counter(
        str(event["source_name"])
        for event in case.events
        if event["sequence"] is None or not event["sequence_reliable"]
    )
    return [(source, unnumbered[source], every[source]) for source in sorted(unnumbered)]


def loss_caution(unseen: Sequence[tuple[str, int, int]]) -> str:
    """Say in one sentence where records may be missing without a trace; '' where none can be."""
    told = [
        f"source {source}" + (f" (of {count} of its {of} events here)" if count < of else "")
        for source, count, of in unseen
    ]
    if not told:
        return ""
    return (
        f"Losses cannot be seen in the log of {' and of '.join(told)}: its records carry no running number "
        "that is declared to be without holes, so a record that was lost leaves no gap here. What is seen, "
        "amounts and all, may be incomplete."
    )


def touching(found: Sequence[Hole], channel: str, begins: datetime, ends: datetime) -> list[Hole]:
    """Return the holes that concern a channel between two moments."""
    return [h for h in found if h.begins_at < ends and h.ends_at > begins and h.channel in ("", channel)]
