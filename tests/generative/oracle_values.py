"""Values in force, segments by time, what a row says about a quantity: what the attempts' oracle stands on.

Written from the rules of the domain alone; the number at a branch is the ruling it follows. An event is a
dict with the columns of `events`; a missing key is null.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from tests.generative.oracle_units import convert, same, six

Event = Mapping[str, Any]
Row = dict[str, Any]

TEN_MINUTES = timedelta(minutes=10)
ALARM_ECHO = timedelta(seconds=5)
NO_GAP = timedelta(seconds=2)

DECISION_OF_KIND = {
    "limit_overridden": "overridden",
    "reprogrammed_within_limits": "within_limits",
    "attempt_cancelled": "cancelled",
    "library_bypassed": "left_library",
}
#: What a user confirms; a resumption is one where its values are new (35).
CONFIRMING = ("infusion_started", "infusion_resumed", "rate_changed", "programme_changed", "bolus_started")
PROGRAMMES = CONFIRMING[:4]  # all but the bolus
#: What shows that somebody still works at the channel (35): never a volume report, never an alarm.
ACTIVITY = (
    "limit_alerted", *DECISION_OF_KIND, "key_pressed", "care_area_selected", "weight_changed",
    *CONFIRMING, "infusion_paused", "infusion_stopped",
)  # fmt: skip
DELIVERING = ("running", "bolus", "keep_open")
IN_LIBRARY = ("limited", "no_limit_entry")
#: Rows that tell what somebody tried, not what is in force.
ATTEMPT_ROWS = ("limit_alerted", "limit_overridden", "reprogrammed_within_limits", "attempt_cancelled")
ORDER_ROWS = ("order_received", "order_accepted", "order_rejected", "library_received")
SAYS_NOTHING = ("key_pressed", "demand_requested", "demand_refused", "other")
#: What a secondary and its primary hold each for itself (19).
OF_A_LINE = (
    "entry", "library_use", "known_use", "concentration", "rate_ml_h", "dose", "volume_ml", "duration_s",
)  # fmt: skip


def get(row: Event, name: str) -> Any:
    """Return a column, null where the row does not have it."""
    return row.get(name)


def decision_of(event: Event) -> str | None:
    """Return what the row says was decided; the kind outranks the coded column."""
    if event["kind"] in DECISION_OF_KIND:
        return DECISION_OF_KIND[event["kind"]]
    if event["kind"] == "limit_alerted" and get(event, "decision_logged") in DECISION_OF_KIND.values():
        return str(event["decision_logged"])  # 44: anything else is 'unmapped' and decides nothing
    return None


def id_on(event: Event, lane: str) -> str:
    """Return the id that an event gives on a channel (37)."""
    if event["channel"] == "" and lane != "":
        return f"{event['event_id']}:{lane}"
    return str(event["event_id"])


class Lookup:
    """Segments and infusions of one pump's channel, found by time."""

    def __init__(self, segments: Iterable[Row], infusions: Iterable[Row]) -> None:
        self.segments = sorted(segments, key=lambda s: s["started_at"])
        self.infusions = {i["infusion_id"]: i for i in infusions}

    def before(self, at: datetime) -> Row | None:
        """Return the segment in which the channel was just before `at`."""
        for s in self.segments:
            if s["started_at"] < at and (s["ended_at"] is None or s["ended_at"] >= at):
                return s
        return None

    def after(self, at: datetime) -> Row | None:
        """Return the segment in which the channel is from `at` on."""
        for s in self.segments:
            if s["started_at"] <= at and (s["ended_at"] is None or s["ended_at"] > at):
                return s
        return None

    def delivered(self, segment: Row | None) -> bool | None:
        """Return whether a segment delivers; null where its state is unknown."""
        if segment is None:
            return False
        return None if segment["state"] == "unknown" else segment["state"] in DELIVERING

    def of_event(self, event: Event, lane: str) -> str | None:
        """Return the infusion that a confirmed event begins or changes."""
        if id_on(event, lane) in self.infusions:
            return id_on(event, lane)
        segment = self.after(event["occurred_at"]) or self.before(event["occurred_at"])
        return segment["infusion_id"] if segment else None


@dataclass
class InForce:
    """The values that hold on a channel (13)."""

    care_area: str | None = None
    patient: str | None = None
    weight_kg: float | None = None
    entry: str | None = None
    library_use: str | None = None
    known_use: str | None = None  # the last one that was told, and not as unknown
    concentration: tuple[float, str] | None = None
    rate_ml_h: float | None = None
    dose: tuple[float, str] | None = None
    volume_ml: float | None = None
    duration_s: float | None = None
    bypass_waits: bool = False
    secondary: bool = False  # whether the values are those of the secondary's line (19)
    aside: tuple[Any, ...] = (None,) * len(OF_A_LINE)  # and what holds on the other one
    started_source: str | None = None
    named_source: str | None = None

    def seen_by(self, e: Event) -> InForce:
        """Return a copy that stands on the line that a row is about (19)."""
        now = InForce(**vars(self))
        source = get(e, "fluid_source")
        if source is not None and e["kind"] in ("infusion_started", "infusion_resumed"):
            now.started_source = source
        if source is not None and e["kind"] not in (*ATTEMPT_ROWS, *ORDER_ROWS, *SAYS_NOTHING):
            now.named_source = source
        about = source or now.started_source or now.named_source
        if (about == "secondary") != now.secondary:
            now.secondary = not now.secondary
            here = tuple(getattr(now, name) for name in OF_A_LINE)
            for name, value in zip(OF_A_LINE, now.aside, strict=True):
                setattr(now, name, value)
            now.aside = here
        return now

    def apply(
        self, e: Event, opens: bool = False, off: bool = False, at_once: bool = False, keeps_use: bool = False
    ) -> None:
        """Take what a row brings; null is 'not logged' and changes nothing (13).

        Programme values come from confirmed rows, and from the row that opens an infusion in mid-delivery
        (`opens`); `off`: the pump went off; `at_once`: a bypass that takes effect on a running channel;
        `keeps_use`: a row of unknown library use whose infusion goes on.
        """
        kind = e["kind"]
        programmes = opens or at_once or kind in PROGRAMMES
        if off:  # 13
            self.care_area = self.weight_kg = self.entry = self.concentration = self.dose = None
            self.volume_ml = self.duration_s = None
            self.bypass_waits = False
            keeps = ("library_use", "known_use", "rate_ml_h")
            self.aside = tuple(
                v if name in keeps else None for name, v in zip(OF_A_LINE, self.aside, strict=True)
            )
        if kind == "patient_changed":
            self.patient = None
        self.patient = get(e, "patient_key") or self.patient
        if kind not in ATTEMPT_ROWS and kind not in ORDER_ROWS:
            self.care_area = get(e, "care_area") or self.care_area
            if get(e, "weight_kg") is not None:
                self.weight_kg = e["weight_kg"]
        if kind == "library_bypassed" and not at_once:  # 10
            self.bypass_waits = True
        if programmes:
            use = get(e, "library_use")
            nameless = use is None or (use == "unknown" and get(e, "entry") is None)
            bypass = at_once or (self.bypass_waits and nameless)
            self.bypass_waits = False
            use = "bypassed" if bypass else use
            if bypass or self.clears(use):  # 13
                self.entry = self.concentration = self.dose = None
            if use == "unknown":
                self.library_use = self.library_use if keeps_use else use
            elif use is not None:
                self.library_use = self.known_use = use
            self.entry = get(e, "entry") or self.entry
            if get(e, "concentration_value") is not None:
                self.concentration = (e["concentration_value"], e["concentration_unit"])
        if programmes or kind == "library_bypassed":
            rate, dose = get(e, "rate_ml_h"), pair(e, "dose_value", "dose_unit")
            if rate is not None and dose is None and not same(rate, self.rate_ml_h):
                self.dose = None  # another rate, so the old dose holds no longer
            if dose is not None and rate is None and not same_pair(dose, self.dose):
                self.rate_ml_h = None
            if rate is not None:
                self.rate_ml_h = rate
            self.dose = dose or self.dose
            if get(e, "volume_to_infuse_ml") is not None:
                self.volume_ml = e["volume_to_infuse_ml"]
            if get(e, "programmed_duration_s") is not None:
                self.duration_s = e["programmed_duration_s"]

    def clears(self, use: str | None) -> bool:
        """Whether a use told is another than that in force; an unknown one may be the library's."""
        if use is None or self.library_use is None or use == self.library_use:
            return False
        if use == "unknown":
            return self.library_use == "bypassed"
        if self.library_use == "unknown":
            return use == "bypassed" or self.known_use not in (None, "bypassed", use)
        return True


def pair(e: Event, value: str, unit: str) -> tuple[float, str] | None:
    """Return value and unit where the value is logged."""
    return None if get(e, value) is None else (e[value], get(e, unit))


def same_pair(a: tuple[float, str] | None, b: tuple[float, str] | None) -> bool:
    """Whether two quantities are equal, in the first one's unit."""
    return a is not None and b is not None and same(a[0], convert(b[0], b[1], a[1]))


def own_value(e: Event, quantity: str | None, unit: str | None, now: InForce) -> float | None:
    """Return what a row itself says about a quantity, in `unit`: logged, else computed from rate or dose."""
    if quantity == "weight":
        return convert(get(e, "weight_kg"), "kg", unit)
    if quantity == "concentration":
        return convert(get(e, "concentration_value"), get(e, "concentration_unit"), unit)
    if quantity == "volume":
        return convert(get(e, "volume_to_infuse_ml"), "mL", unit)
    if quantity == "duration":
        return convert(get(e, "programmed_duration_s"), "s", unit)
    if quantity == "bolus_dose":
        return convert(get(e, "bolus_dose_value"), amount_unit(get(e, "dose_unit") or dose_unit(now)), unit)
    if quantity in ("dose_rate", "flow_rate"):
        return rate_value(get(e, "rate_ml_h"), pair(e, "dose_value", "dose_unit"), quantity, unit, now)
    return None


def held_value(quantity: str | None, unit: str | None, now: InForce) -> float | None:
    """Return the value of a quantity that is in force, in `unit`."""
    if quantity == "weight":
        return convert(now.weight_kg, "kg", unit)
    if quantity == "concentration":
        value, own = now.concentration or (None, None)
        return convert(value, own, unit)
    if quantity == "volume":
        return convert(now.volume_ml, "mL", unit)
    if quantity == "duration":
        return convert(now.duration_s, "s", unit)
    if quantity in ("dose_rate", "flow_rate"):
        return rate_value(now.rate_ml_h, now.dose, quantity, unit, now)
    return None


def rate_value(
    rate: float | None, dose: tuple[float, str] | None, quantity: str, unit: str | None, now: InForce
) -> float | None:
    """Return a dose rate or a flow rate in `unit`; the missing one follows from the other (51)."""
    if quantity == "flow_rate":
        if rate is not None:
            return convert(rate, "mL/h", unit)
        if dose is None:
            return None
        plain = convert(dose[0], dose[1], "mL/h", now.weight_kg)
        if plain is None and now.concentration and now.concentration[0]:
            amount, per = now.concentration[1].split("/", 1)
            by_hour = convert(dose[0], dose[1], f"{amount}/h", now.weight_kg)
            ml = convert(1.0, per, "mL")
            plain = None if by_hour is None or not ml else by_hour / now.concentration[0] * ml
        return convert(plain, "mL/h", unit)
    if dose is not None:
        return convert(dose[0], dose[1], unit, now.weight_kg)
    if rate is None:
        return None
    plain = convert(rate, "mL/h", unit, now.weight_kg)
    if plain is None and now.concentration:
        amount, per = now.concentration[1].split("/", 1)
        ml = convert(1.0, per, "mL")
        if ml:
            plain = convert(rate * now.concentration[0] / ml, f"{amount}/h", unit, now.weight_kg)
    return plain


def dose_unit(now: InForce) -> str | None:
    """Return the unit of the dose in force."""
    return now.dose[1] if now.dose else None


def amount_unit(unit: str | None) -> str | None:
    """Return the unit of an amount of drug that goes with a dose rate's unit: ug for ug/kg/min."""
    return unit.split("/")[0] if unit else None


def outside(value: float, side: str | None, limit: float) -> bool | None:
    """Whether a value lies outside a limit; equal to it is inside (48)."""
    if side == "high":
        return six(value) > six(limit)
    return six(value) < six(limit) if side == "low" else None


def multiple(value: float | None, side: str | None, limit: float | None) -> float | None:
    """Return how many times over or under a limit (33)."""
    if value is None or limit is None or side is None:
        return None
    over, under = (value, limit) if side == "high" else (limit, value)
    if under == 0:
        return None
    return over / under if six(over) >= six(under) else None  # 33: always 1 or more


def is_power_off(e: Event, on: bool) -> bool:
    """Whether a row says that the pump went off; switching on while on says so too (25)."""
    return e["kind"] in ("powered_off", "power_lost") or (e["kind"] == "powered_on" and on)


def is_patient_change(e: Event, now: InForce) -> bool:
    """Whether a row brings another patient (4)."""
    key = get(e, "patient_key")
    return e["kind"] == "patient_changed" or (
        key is not None and now.patient is not None and key != now.patient
    )


def by_user(e: Event) -> bool:
    """Whether a row is a person's doing: what the pump does by itself confirms nothing (35)."""
    return bool(get(e, "initiator") != "pump")


def programmed(e: Event, after: InForce) -> tuple[float | None, str | None]:
    """Return what a confirmed row programmes: bolus dose; else dose, rate, volume, time, the first logged."""
    if e["kind"] == "bolus_started" and get(e, "bolus_dose_value") is not None:
        return e["bolus_dose_value"], amount_unit(get(e, "dose_unit") or dose_unit(after))
    for column, unit in (
        ("dose_value", get(e, "dose_unit")),
        ("rate_ml_h", "mL/h"),
        ("volume_to_infuse_ml", "mL"),
        ("programmed_duration_s", "s"),
    ):
        if get(e, column) is not None:
            return e[column], unit
    return None, None


def new_values(e: Event, before: InForce) -> bool:
    """Whether a row programmes something new; a continuing start is judged by rate and dose alone."""
    rate, dose = get(e, "rate_ml_h"), pair(e, "dose_value", "dose_unit")
    if rate is not None and not same(rate, before.rate_ml_h):
        return True
    if dose is not None and not same_pair(dose, before.dose):
        return True
    if e["kind"] in ("infusion_started", "infusion_resumed"):
        return False
    volume, duration = get(e, "volume_to_infuse_ml"), get(e, "programmed_duration_s")
    return (volume is not None and not same(volume, before.volume_ml)) or (
        duration is not None and not same(duration, before.duration_s)
    )
