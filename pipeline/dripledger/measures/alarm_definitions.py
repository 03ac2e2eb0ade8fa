"""Measures of alarms: how often they sound, how long, and what they cost."""

from __future__ import annotations

from typing import Final

from dripledger.measures.defining import CONTEXT, share
from dripledger.measures.measure import Amount, Direction, Form, IntervalKind, Least, Measure, Part
from dripledger.schema.codes import ALARM_PRIORITIES

#: Kinds of delivery and of pump alarms, in words.
DELIVERY_ALARMS: Final = {
    "occlusion": "occlusion",
    "air_in_line": "air in line",
    "door_open": "door open",
    "set_or_syringe": "set or syringe",
    "free_flow": "free flow",
    "near_end": "near end",
    "end_of_infusion": "end of infusion",
    "empty": "empty",
    "no_action": "no action taken",
}
PUMP_ALARMS: Final = {
    "low_battery": "low battery",
    "battery_empty": "battery empty",
    "power": "power",
    "fault": "fault",
}

_PUMP_GROUPS: Final = ("pump_type", "source")
_CHANNEL_HOURS: Final = "100 running channel-hours"
_PUMP_HOURS: Final = "100 powered-on pump-hours"
_NO_KIND_IN_MONTH: Final = "of logs that tell the kind of no alarm in the month"
_NO_KIND: Final = "whose kind the log does not tell"
_LEFT_OUT_KINDS: Final = (
    "alarms of no known kind, and the whole month of a source that tells the kind of none"
)
_MOVE: Final = (False, "pumps move between areas, so there is one figure for the facility")


def _parts(kinds: dict[str, str]) -> tuple[Part, ...]:
    """Return a part for each kind, and for each priority."""
    return (
        *(Part(kind, words, "alarm_kind", kind) for kind, words in kinds.items()),
        *(
            Part(f"priority_{name}", f"priority {name.replace('_', ' ')}", "alarm_priority", name)
            for name in (*ALARM_PRIORITIES, "not_stated")
        ),
    )


_QUANTILES: Final = (
    Part("p25", "a quarter within", quantile=0.25),
    Part("p75", "three quarters within", quantile=0.75),
    Part("p90", "nine of ten within", quantile=0.9),
)

ALARM_MEASURES: Final[tuple[Measure, ...]] = (
    share(
        "delivery_alarm_rate",
        "Delivery alarms per 100 running hours",
        "How often is a running infusion interrupted by an alarm?",
        "delivery alarms raised while the channel was running, in a bolus or kept open, by kind and priority",
        "running channel-hours / 100",
        f"{_LEFT_OUT_KINDS}; {CONTEXT}",
        base="running channel-hours",
        unit=f"per {_CHANNEL_HOURS}",
        direction=Direction.DOWN,
        needs=("infusion_started", "alarm_raised"),
        least=Least.HOURS,
        interval=IntervalKind.CLUSTERED_RATE,
        form=Form.RATE,
        over=Amount.HOURS,
        parts=_parts(DELIVERY_ALARMS),
        untold=_NO_KIND_IN_MONTH,
        passed_over=("alarms", f"in running infusions {_NO_KIND}"),
    ),
    share(
        "pump_alarm_rate",
        "Battery and fault alarms per 100 powered-on pump-hours",
        "How often do the pumps themselves complain?",
        "battery, power and fault alarms, by kind and priority",
        "powered-on pump-hours / 100",
        f"hours from a lost power-off to the next power-on; {_LEFT_OUT_KINDS}; {CONTEXT}",
        base="powered-on pump-hours",
        unit=f"per {_PUMP_HOURS}",
        direction=Direction.DOWN,
        needs=("powered_on", "powered_off", "alarm_raised"),
        least=Least.PUMP_HOURS,
        interval=IntervalKind.CLUSTERED_RATE,
        groups=_PUMP_GROUPS,
        comparable=_MOVE,
        form=Form.RATE,
        over=Amount.HOURS,
        parts=_parts(PUMP_ALARMS),
        untold=_NO_KIND_IN_MONTH,
        passed_over=("alarms", _NO_KIND),
    ),
    share(
        "alarm_minutes",
        "Alarm minutes per 100 powered-on pump-hours",
        "For how much of the time does a pump stand in alarm?",
        "minutes in which a pump had an alarm, overlapping ones once",
        "powered-on pump-hours / 100",
        f"hours from a lost power-off to the next power-on; {CONTEXT}",
        base="powered-on pump-hours",
        unit=f"minutes per {_PUMP_HOURS}",
        direction=Direction.DOWN,
        needs=("powered_on", "powered_off", "alarm_raised", "alarm_cleared"),
        least=Least.PUMP_HOURS,
        interval=IntervalKind.CLUSTERED_RATE,
        groups=_PUMP_GROUPS,
        comparable=_MOVE,
        form=Form.RATE,
        counted=Amount.MINUTES,
        over=Amount.HOURS,
    ),
    *(
        share(
            f"alarm_time_to_{what}",
            f"Alarms: time to {words}",
            f"How long does an alarm last until {until}?",
            f"alarms seen to be {seen}; the value is the Kaplan-Meier median (quartiles and 90th centile "
            "beside it)",
            f"alarms; those not seen to be {seen} are censored at their end",
            CONTEXT,
            base="alarms",
            unit="seconds",
            direction=Direction.DOWN,
            needs=needs,
            interval=IntervalKind.SURVIVAL,
            form=Form.TIMES,
            parts=_QUANTILES,
        )
        for what, words, until, seen, needs in (
            ("clear", "clearing", "it is cleared", "cleared", ("alarm_raised", "alarm_cleared")),
            (
                "first_response",
                "first response",
                "somebody silences it or it clears",
                "silenced or cleared",
                ("alarm_raised", "alarm_silenced", "alarm_cleared"),
            ),
        )
    ),
    share(
        "delivery_lost",
        "Minutes stopped by an alarm per 100 running hours",
        "How long do infusions stand still because of alarms?",
        "minutes stopped by an alarm; long stops of high-alert entries are listed",
        "running hours / 100",
        "stops that neither the log nor the mapping puts down to an alarm, and what follows an alarm whose "
        "effect nobody declared; the whole month of a source in which alarms sounded, none with a declared "
        f"effect, and no stop is put down to one; {CONTEXT}",
        base="running hours",
        unit="minutes per 100 running hours",
        direction=Direction.DOWN,
        needs=("infusion_started", "alarm_raised"),
        least=Least.HOURS,
        interval=IntervalKind.CLUSTERED_RATE,
        form=Form.RATE,
        counted=Amount.MINUTES,
        over=Amount.HOURS,
        untold="of logs that tell of no alarm in the month whether it stopped the delivery",
        passed_over=("alarms", "in running infusions whose effect on the delivery the log does not tell"),
    ),
    share(
        "user_rate_changes",
        "User rate changes per 100 running hours",
        "How often do users change the rate of a running infusion?",
        "changes by users from one running rate to another; fivefold or more are listed",
        "running hours / 100",
        "changes that the pump or an order made; resumptions and refills at another rate; changes whose new "
        f"rate is not known, and the whole month of a source that tells it of none; {CONTEXT}",
        base="running hours",
        unit="per 100 running hours",
        direction=Direction.NONE,
        needs=("infusion_started", "rate_changed"),
        least=Least.HOURS,
        interval=IntervalKind.CLUSTERED_RATE,
        comparable=(False, "treatments differ between areas"),
        form=Form.RATE,
        over=Amount.HOURS,
        untold="of logs that tell the new rate of no change in the month",
        passed_over=("rate changes", "whose new rate the log does not tell"),
    ),
)  # fmt: skip
