"""The timeline: every event, every record that cannot be read, every gap, in order, each with its doubt."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from itertools import accumulate
from typing import Any, Final

from dripledger.dosing import Amount, dose_of_rate, rate_of_dose
from dripledger.errors import DripledgerError
from dripledger.incidents.case import Case
from dripledger.incidents.doses import dose_told, dose_unit_of
from dripledger.incidents.doubts import ClockDoubt, Hole, own_doubt
from dripledger.incidents.limits import limits_for, limits_text
from dripledger.incidents.moments import seconds_text
from dripledger.incidents.pieces import between, pieces_of, to_us
from dripledger.incidents.rows import Row
from dripledger.incidents.words import describe

#: What ends a stretch: it is told with what it ended, not with what may have begun at the same moment.
_ENDS: Final = frozenset({
    "infusion_stopped", "infusion_completed", "infusion_paused", "bolus_ended", "priming_ended",
})  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One line of the timeline; None where it does not apply or was not logged.

    Parameters
    ----------
    what_kind
        ``event``, ``aside`` (an event of a source whose word does not count here), ``unread`` (a record that
        cannot be read) or ``gap``.
    at
        When, UTC.
    until_at
        When a gap ends, UTC.
    pump_clock
        The pump's clock as logged, ISO without zone.
    doubt
        How far this line may be from true time, in words.
    channel
        The channel; '' for the whole pump.
    kind, what
        Kind of event; what happened, in plain words.
    rate_before_ml_h, rate_ml_h, dose_before, dose, dose_unit
        Before and after.
    rate_from_dose_ml_h, dose_from_rate
        Computed the other way round, in the same units.
    entry, concentration, weight_kg, care_area, library_version, library_use, state, limits
        What was in force on the channel after it.
    infusion
        Number of the infusion in this trace, from 1.
    volume_ml, amount, amount_unit
        Pumped since that infusion began.
    patient, order
        Numbered in order of appearance; no name and no pseudonym.
    source_file_sha256, source_record, source_name, sequence, event_id
        Where it comes from.
    """

    what_kind: str
    at: datetime
    until_at: datetime | None
    pump_clock: str
    doubt: str
    channel: str
    kind: str
    what: str
    rate_before_ml_h: float | None = None
    rate_ml_h: float | None = None
    dose_before: float | None = None
    dose: float | None = None
    dose_unit: str | None = None
    rate_from_dose_ml_h: float | None = None
    dose_from_rate: float | None = None
    entry: str | None = None
    concentration: str | None = None
    weight_kg: float | None = None
    care_area: str | None = None
    library_version: str | None = None
    library_use: str | None = None
    state: str | None = None
    limits: str = ""
    infusion: int | None = None
    volume_ml: float | None = None
    amount: float | None = None
    amount_unit: str | None = None
    patient: str | None = None
    order: str | None = None
    source_file_sha256: str = ""
    source_record: int | None = None
    source_name: str = ""
    sequence: int | None = None
    event_id: str = ""


def build_timeline(case: Case, doubt: ClockDoubt, holes: Sequence[Hole]) -> list[Line]:
    """Return the lines of a case, in order: by the pump's own order, gaps and unread records between."""
    alarms = {str(row["alarm_id"]).split(":")[0]: row for row in case.alarms}
    names: dict[str, dict[str, str]] = {"patient": {}, "order": {}}
    numbers = {row["infusion_id"]: place for place, row in enumerate(case.infusions, 1)}
    reader = _Reader(case)
    keyed: list[tuple[tuple[Any, ...], Line]] = []
    for event in case.events:
        keyed.append(((event["place"], 1, 0), _event_line(event, reader, alarms, names, numbers, doubt)))
    places = {str(event["event_id"]): event["place"] for event in case.events}
    for number, hole in enumerate(h for h in holes if h.is_gap):
        place = places.get(hole.event_id, 10**15)
        keyed.append(((place, 0, number), _gap_line(hole)))
    last_place = _last_place(case.events)
    for number, row in enumerate(case.unread):
        keyed.append(((last_place(row["at"]), 2, number), _unread_line(row)))
    for number, event in enumerate(case.aside):
        keyed.append(((last_place(event["occurred_at"]), 3, number), _aside_line(event, doubt, names)))
    return [line for _, line in sorted(keyed, key=lambda pair: pair[0])]


def _last_place(events: Sequence[Row]) -> Callable[[datetime], int]:
    """Return what gives the last place of the events up to a moment, and -1 before the first of them."""
    in_time = sorted(events, key=lambda event: event["occurred_at"])
    moments = [event["occurred_at"] for event in in_time]
    places = [-1, *accumulate((event["place"] for event in in_time), max)]
    return lambda at: places[bisect_right(moments, at)]


class _Reader:
    """Looks up what was in force on a channel at an event: by its time in its own run of the clock."""

    def __init__(self, case: Case) -> None:
        self._case = case
        self._by_channel: dict[str, list[Row]] = {}
        for row in case.segments:
            self._by_channel.setdefault(str(row["channel"]), []).append(row)
        self._limits: dict[int, str] = {}
        self._run_ends = {row["clock_run"]: row["occurred_at"] for row in case.pump_order}

    def after(self, event: Row) -> Row | None:
        """Return the stretch that an event begins or lies in."""
        at = event["occurred_at"]
        found = [s for s in self._beside(event) if s["started_at"] <= at < s["ended_at"]]
        return found[-1] if found else None

    def before(self, event: Row) -> Row | None:
        """Return the stretch that an event ends or lies in; also one that ran when the clock was set back."""
        at, run = event["occurred_at"], event["clock_run"]
        beside = self._beside(event)
        found = [s for s in beside if s["started_at"] < at <= s["ended_at"]]
        if found or any(s["started_at"] < at for s in beside):
            return found[0] if found else None
        ran_on = [
            s for s in self._by_channel.get(str(event["channel"]), ())
            if s["clock_run"] == run - 1 and s["ended_at"] == self._run_ends[run - 1]
        ]  # fmt: skip
        return ran_on[-1] if ran_on else None

    def _beside(self, event: Row) -> list[Row]:
        of_channel = self._by_channel.get(str(event["channel"]), ())
        return [s for s in of_channel if s["clock_run"] == event["clock_run"]]

    def dose_unit(self, segment: Row) -> str | None:
        """Return the unit in which the stretch's own infusion logs doses."""
        return dose_unit_of(self._case, segment)

    def dose(self, segment: Row) -> float | None:
        """Return the dose that was logged for what the stretch runs at."""
        return dose_told(self._case, segment)

    def limits(self, segment: Row) -> str:
        """Return the limits in force in a stretch, in words."""
        key = id(segment)
        if key not in self._limits:
            self._limits[key] = limits_text(limits_for(segment, self._case.libraries))
        return self._limits[key]

    def since(self, segment: Row, event: Row) -> tuple[float | None, float | None, str | None]:
        """Return what the infusion of a stretch had pumped up to an event: mL, drug, its unit.

        None mL where it runs, or ran, at a rate that nobody knows.
        """
        at, run = event["occurred_at"], event["clock_run"]
        own = [
            s for s in self._case.own_segments if s["infusion_id"] == segment["infusion_id"]
            and (s["clock_run"] < run or (s["clock_run"] == run and s["started_at"] <= at))
        ]  # fmt: skip

        def upto(value: Callable[[Row], Any]) -> Fraction:
            pieces = pieces_of(own, value)
            return sum(
                (
                    between([piece], piece.begins_us, piece.ends_us if s["clock_run"] < run else to_us(at))
                    for s, piece in zip(own, pieces, strict=True)
                ),
                Fraction(0),
            )

        no_rate = any(s["volume_ml"] is None and s["state"] != "unknown" for s in own)
        volume = None if no_rate else upto(lambda s: s["volume_ml"])
        unit = next((s["amount_unit"] for s in own if s["amount_unit"]), None)
        if unit is None:
            return _plain(volume), None, None
        return _plain(volume), _plain(upto(lambda s: s["amount"] if s["amount_unit"] == unit else None)), unit


def _plain(value: Fraction | None) -> float | None:
    return None if value is None else float(round(value, 6))


def _doubt_text(event: Row, doubt: ClockDoubt) -> str:
    back, on = own_doubt(event)
    back, on = back + doubt.given_s, on + doubt.given_s
    told = f"± {seconds_text(on)}" if back == on else f"- {seconds_text(back)}, + {seconds_text(on)}"
    quality = {
        "ambiguous": "in the repeated hour", "nonexistent": "in the skipped hour",
        "corrected": f"clock corrected by {seconds_text(-event['clock_offset_s'])}",
    }  # fmt: skip
    word = quality.get(str(event["time_quality"]))
    return f"{told}; {word}" if word else told


def _numbered(names: dict[str, str], key: Any) -> str | None:
    if key is None:
        return None
    return names.setdefault(str(key), str(len(names) + 1))


def _event_line(
    event: Row,
    reader: _Reader,
    alarms: dict[str, Row],
    names: dict[str, dict[str, str]],
    numbers: dict[str, int],
    doubt: ClockDoubt,
) -> Line:
    channel, at = str(event["channel"]), event["occurred_at"]
    before, after = reader.before(event), reader.after(event)
    ran_before = (
        before if before is not None and before["state"] in ("running", "bolus", "keep_open") else None
    )
    rate_before = None if ran_before is None else ran_before["rate_ml_h"]
    dose_before = None
    if ran_before is not None and ran_before["dose_unit"] == event["dose_unit"]:
        dose_before = reader.dose(ran_before)
    alarm = alarms.get(str(event["event_id"])) if event["kind"] in ("alarm_raised", "fault_logged") else None
    here = (before or after if event["kind"] in _ENDS else after or before) or {}
    strength, unit = here.get("concentration_value"), here.get("concentration_unit")
    rate_other, dose_other = _other_way(event, here, reader.dose_unit(here) if here else None)
    told: dict[str, Any] = {}
    if after or before:
        volume, amount, amount_unit = reader.since(here, event)
        told = {
            "infusion": numbers.get(here["infusion_id"]), "volume_ml": volume, "amount": amount,
            "amount_unit": amount_unit, "limits": reader.limits(here),
        }  # fmt: skip
    return Line(
        "event", at, None, event["device_time"].isoformat(sep=" "), _doubt_text(event, doubt), channel,
        str(event["kind"]), describe(event, rate_before, dose_before, alarm),
        rate_before_ml_h=rate_before,
        rate_ml_h=event["rate_ml_h"],
        dose_before=dose_before,
        dose=event["dose_value"],
        dose_unit=event["dose_unit"] or (reader.dose_unit(here) if here else None),
        rate_from_dose_ml_h=rate_other,
        dose_from_rate=dose_other,
        entry=event["entry"] or here.get("entry"),
        concentration=None if strength is None else f"{strength:.6g} {unit or ''}".strip(),
        weight_kg=event["weight_kg"] if event["weight_kg"] is not None else here.get("weight_kg"),
        care_area=event["care_area"] or here.get("care_area"),
        library_version=event["library_version"] or here.get("library_version"),
        library_use=here.get("library_use") or event["library_use"],
        state=None if after is None else str(after["state"]),
        patient=_numbered(names["patient"], event["patient_key"] or here.get("patient_key")),
        order=_numbered(names["order"], event["order_key"]),
        source_file_sha256=str(event["source_file_sha256"]),
        source_record=int(event["source_record"]),
        source_name=str(event["source_name"]),
        sequence=event["sequence"],
        event_id=str(event["event_id"]),
        **told,
    )  # fmt: skip


def _aside_line(event: Row, doubt: ClockDoubt, names: dict[str, dict[str, str]]) -> Line:
    """Tell an event of a source that does not count: what it says itself, and nothing worked out."""
    strength, unit = event["concentration_value"], event["concentration_unit"]
    what = describe(event, None, None, None)
    return Line(
        "aside", event["occurred_at"], None, event["device_time"].isoformat(sep=" "),
        _doubt_text(event, doubt), str(event["channel"]), str(event["kind"]),
        f"source {event['source_name']}, whose word does not count here by the site's rules, says: {what}",
        rate_ml_h=event["rate_ml_h"],
        dose=event["dose_value"],
        dose_unit=event["dose_unit"],
        entry=event["entry"],
        concentration=None if strength is None else f"{strength:.6g} {unit or ''}".strip(),
        weight_kg=event["weight_kg"],
        care_area=event["care_area"],
        library_version=event["library_version"],
        library_use=event["library_use"],
        patient=_numbered(names["patient"], event["patient_key"]),
        order=_numbered(names["order"], event["order_key"]),
        source_file_sha256=str(event["source_file_sha256"]),
        source_record=int(event["source_record"]),
        source_name=str(event["source_name"]),
        sequence=event["sequence"],
        event_id=str(event["event_id"]),
    )  # fmt: skip


def _other_way(event: Row, here: Row, own_unit: str | None) -> tuple[float | None, float | None]:
    """Return the rate that follows from the logged dose, and the dose that follows from the logged rate."""
    strength = event["concentration_value"] or here.get("concentration_value")
    unit = event["concentration_unit"] or here.get("concentration_unit")
    dose_unit = event["dose_unit"] or own_unit
    weight = event["weight_kg"] if event["weight_kg"] is not None else here.get("weight_kg")
    bodies = {"weight_kg": weight, "bsa_m2": event["bsa_m2"]}
    if strength is None or unit is None or dose_unit is None:
        return None, None
    rate = dose = None
    try:
        if event["dose_value"] is not None:
            rate = round(
                rate_of_dose(Amount(event["dose_value"], dose_unit), Amount(strength, unit), **bodies), 6
            )
        if event["rate_ml_h"] is not None:
            dose = round(
                dose_of_rate(event["rate_ml_h"], Amount(strength, unit), dose_unit, **bodies).value, 6
            )
    except DripledgerError:
        pass  # a unit, a weight or a concentration is missing or does not fit: no other way to compute it
    return rate, dose


def _gap_line(hole: Hole) -> Line:
    length = seconds_text((hole.ends_at - hole.begins_at).total_seconds())
    what = f"gap in the pump's numbers ({hole.why}); nothing that can be read for {length}"
    return Line("gap", hole.begins_at, hole.ends_at, "", "", hole.channel, "", what)


def _unread_line(row: Row) -> Line:
    reasons = ", ".join(str(reason).replace("_", " ") for reason in row["reasons"])
    clock = "" if row["device_time"] is None else row["device_time"].isoformat(sep=" ")
    return Line(
        "unread", row["at"], None, clock, f"placed by {row['placed_by']}", "", "",
        f"a record that cannot be read: {reasons}",
        source_file_sha256=str(row["source_file_sha256"]),
        source_record=int(row["source_record"]),
        source_name=str(row["source_name"]),
        sequence=row["sequence"],
    )  # fmt: skip
