"""Every measure, defined once: what it asks, what it counts, what it leaves out, and what it needs.

Reports, the command line and documents print these texts; nothing else defines a measure.
"""

from __future__ import annotations

from typing import Final

from dripledger.measures.measure import Direction, IntervalKind, Least, Measure

#: Counts up when a definition changes what a number means; stamped on every output.
DEFINITIONS_VERSION: Final = "1"

NOT_BUILT: Final = "not calculated by this version yet"


_OURS: Final = "this project's definition; working practice of the field, no published wording is followed"
_CONTEXT: Final = "infusions whose use is declared as maintenance or training"
_STARTS_OUT: Final = (
    "false starts; infusions that begin with a patient change or whose start is missing from the log; starts "
    f"whose library use is not known; {_CONTEXT}"
)
_AREA_GROUPS: Final = ("care_area", "entry", "pump_type", "high_alert", "source")
_QUALITY_GROUPS: Final = ("source",)
_START: Final = ("infusion_started",)
_SOFT: Final = ("infusion_started", "limit_alerted")
_DECIDED: Final = ("infusion_started", "limit_alerted", "limit_overridden")
_SAME_RULES: Final = "the same rules hold in every area"
_DRUGS_DIFFER: Final = "areas differ in drugs and limits, and so in how often a limit is met"
_WHOLE: Final = "a property of the logs, not of an area"


def _share(
    id: str,  # noqa: A002 - the field's name
    title: str,
    question: str,
    numerator: str,
    denominator: str,
    exclusions: str,
    *,
    base: str,
    direction: Direction,
    needs: tuple[str, ...],
    comparable: tuple[bool, str] = (True, _SAME_RULES),
    least: Least = Least.STARTS,
    interval: IntervalKind = IntervalKind.WILSON,
    groups: tuple[str, ...] = _AREA_GROUPS,
    unit: str = "share",
    source: str = _OURS,
    built: bool = False,
) -> Measure:
    return Measure(
        id, title, question, numerator, denominator, exclusions, unit, base, direction, least, interval,
        *comparable, source, needs, groups, built,
    )  # fmt: skip


_LIST: Final = (
    _share(
        "library_use_starts",
        "Library use, share of starts",
        "How many infusions were started inside the drug library?",
        "starts under an entry, with limits or without",
        "starts with known library use",
        _STARTS_OUT,
        base="starts",
        direction=Direction.UP,
        needs=_START,
        built=True,
    ),
    _share(
        "library_use_hours",
        "Library use, share of running hours",
        "How much of the running time was inside the drug library?",
        "running hours under an entry, with limits or without",
        "running hours with known library use",
        f"hours in any state but running and bolus; hours whose library use is not known; {_CONTEXT}",
        base="running hours",
        direction=Direction.UP,
        needs=_START,
        least=Least.HOURS,
        interval=IntervalKind.CLUSTERED,
        built=True,
    ),
    _share(
        "protected_share",
        "Protected share of starts",
        "How many starts ran under a hard high limit on dose or rate?",
        "starts under an entry with a hard high limit on dose or rate in force",
        "starts with known library use",
        f"{_STARTS_OUT}; starts whose library version, entry or concentration is in no library file",
        base="starts",
        direction=Direction.UP,
        needs=_START,
        built=True,
    ),
    *(
        _share(
            f"{kind}_alert_share",
            f"Programmings with a {kind} limit alert",
            f"How often does programming inside the library meet a {kind} limit?",
            f"programmings with a {kind} limit alert",
            "in-library programmings",
            f"programmings outside the library; {_CONTEXT}; pumps that cannot log limit alerts",
            base="in-library programmings",
            direction=Direction.NONE,
            needs=_SOFT,
            comparable=(False, _DRUGS_DIFFER),
        )
        for kind in ("soft", "hard")
    ),
    *(
        _share(
            f"outcomes_{kind}",
            f"What became of attempts that met a {kind} limit",
            f"What did people do after a {kind} limit alert?",
            "attempts with each of the six outcomes; the parts sum to all, unknown is shown",
            f"attempts that met a {kind} limit",
            f"{_CONTEXT}; pumps that cannot log limit alerts",
            base="attempts",
            direction=Direction.NONE,
            needs=_DECIDED,
            comparable=(False, _DRUGS_DIFFER),
        )
        for kind in ("soft", "hard")
    ),
    _share(
        "override_share",
        "Overridden soft-limit attempts",
        "How often is a soft limit confirmed past?",
        "soft-limit attempts that were overridden",
        "soft-limit attempts with known outcome",
        f"attempts with unknown outcome; {_CONTEXT}",
        base="attempts",
        direction=Direction.NONE,
        needs=_DECIDED,
        comparable=(False, _DRUGS_DIFFER),
        source="this project's definition; common practice sets no target for it",
    ),
    _share(
        "infusion_override_share",
        "Infusions with an override",
        "Of the infusions that met a soft limit, how many ran past one?",
        "in-library infusions with an override; first overrides apart from repeats",
        "in-library infusions with a soft limit alert",
        _CONTEXT,
        base="infusions",
        direction=Direction.NONE,
        needs=_DECIDED,
        comparable=(False, _DRUGS_DIFFER),
    ),
    _share(
        "left_library_share",
        "Attempts that left the library",
        "How often does a limit alert end outside the library?",
        "attempts that left the library; each is listed",
        "attempts with known outcome",
        f"attempts with unknown outcome; {_CONTEXT}",
        base="attempts",
        direction=Direction.DOWN,
        needs=(*_SOFT, "library_bypassed"),
    ),
    _share(
        "far_overrides",
        "Overrides far over the limit",
        "Which overrides were at 2, 5 or 10 times the limit or more?",
        "overrides at 2, 5, 10 times the limit or more: counts, and each one listed",
        "none: a count",
        f"limits of zero; {_CONTEXT}",
        base="overrides",
        unit="count",
        direction=Direction.DOWN,
        needs=_DECIDED,
        least=Least.NONE,
        interval=IntervalKind.NONE,
        comparable=(False, _DRUGS_DIFFER),
    ),
    _share(
        "override_under_3s_share",
        "Overrides within 3 seconds",
        "How many overrides were confirmed too fast to have been read?",
        "overrides confirmed within 3 s of the attempt's last alert",
        "overrides",
        f"logs whose times are coarser than 1 s; {_CONTEXT}",
        base="overrides",
        direction=Direction.DOWN,
        needs=_DECIDED,
    ),
    _share(
        "delivery_alarm_rate",
        "Delivery alarms per 100 running channel-hours",
        "How often is a running infusion interrupted by an alarm?",
        "delivery alarms raised in running infusions, by kind and priority",
        "running channel-hours / 100",
        _CONTEXT,
        base="100 running channel-hours",
        unit="per 100 running channel-hours",
        direction=Direction.DOWN,
        needs=("infusion_started", "alarm_raised"),
        least=Least.HOURS,
        interval=IntervalKind.CLUSTERED_RATE,
    ),
    _share(
        "pump_alarm_rate",
        "Battery and fault alarms per 100 powered-on pump-hours",
        "How often do the pumps themselves complain?",
        "battery and fault alarms, by kind and priority",
        "powered-on pump-hours / 100",
        _CONTEXT,
        base="100 powered-on pump-hours",
        unit="per 100 powered-on pump-hours",
        direction=Direction.DOWN,
        needs=("powered_on", "powered_off", "alarm_raised"),
        least=Least.HOURS,
        interval=IntervalKind.CLUSTERED_RATE,
        comparable=(False, "pumps move between areas"),
    ),
    *(
        _share(
            f"alarm_time_to_{what}",
            f"Alarms: time to {words}",
            f"How long does an alarm last until {until}?",
            f"Kaplan-Meier median and 90th centile of the time to {words}",
            "alarms; those never cleared are censored and counted",
            _CONTEXT,
            base="alarms",
            unit="seconds",
            direction=Direction.DOWN,
            needs=("alarm_raised", kind),
            interval=IntervalKind.SURVIVAL,
        )
        for what, words, until, kind in (
            ("clear", "clearing", "it is cleared", "alarm_cleared"),
            ("first_response", "first response", "somebody responds", "alarm_silenced"),
        )
    ),
    _share(
        "delivery_lost",
        "Delivery lost to alarms",
        "How long do infusions stand still because of alarms?",
        "minutes stopped by an alarm; long stops of high-alert entries are listed",
        "running hours / 100",
        _CONTEXT,
        base="100 running hours",
        unit="minutes per 100 running hours",
        direction=Direction.DOWN,
        needs=("infusion_started", "alarm_raised"),
        least=Least.HOURS,
        interval=IntervalKind.CLUSTERED_RATE,
    ),
    _share(
        "user_rate_changes",
        "User rate changes per 100 running hours",
        "How often do users change the rate of a running infusion?",
        "rate changes by users; fivefold or more are listed",
        "running hours / 100",
        f"changes that the pump or an order made; {_CONTEXT}",
        base="100 running hours",
        unit="per 100 running hours",
        direction=Direction.NONE,
        needs=("infusion_started", "rate_changed"),
        least=Least.HOURS,
        interval=IntervalKind.CLUSTERED_RATE,
        comparable=(False, "treatments differ between areas"),
    ),
    _share(
        "stale_library_share",
        "Starts on an older library",
        "How many starts ran on a library more than 7 days out of date?",
        "starts more than 7 days after a release was available to that model, on an older version",
        "starts with known library version",
        _STARTS_OUT,
        base="starts",
        direction=Direction.DOWN,
        needs=_START,
    ),
    _share(
        "fleet_coverage",
        "Fleet coverage",
        "From how many pumps in service is there a log for the month?",
        "pumps in service with at least one event in the month",
        "pumps in service on any day of the month (pumps.csv)",
        "pumps that pumps.csv does not name: counted, and named apart",
        base="pumps",
        direction=Direction.UP,
        needs=(),
        least=Least.NONE,
        interval=IntervalKind.NONE,
        groups=(),
        comparable=(False, _WHOLE),
        built=True,
    ),
    _share(
        "log_completeness",
        "Log completeness",
        "How much of what the pumps numbered has reached the ledger?",
        "sequence numbers seen, quarantined and ignored ones included",
        "sequence numbers expected: those seen and those missing between them",
        "sources that do not declare their sequence to be reliable; numbers before a pump's first and after "
        "its last record; a reset of the counter is no gap",
        base="sequence numbers",
        direction=Direction.UP,
        needs=(),
        least=Least.NONE,
        interval=IntervalKind.NONE,
        groups=_QUALITY_GROUPS,
        comparable=(False, _WHOLE),
        built=True,
    ),
    *(
        _share(
            name,
            title,
            question,
            numerator,
            denominator,
            _CONTEXT if name == "uncertain_share" else "nothing",
            base=base,
            direction=Direction.DOWN,
            needs=(),
            least=Least.NONE,
            interval=IntervalKind.NONE,
            groups=_QUALITY_GROUPS,
            comparable=(False, _WHOLE),
            built=True,
        )
        for name, title, question, numerator, denominator, base in (
            (
                "unmapped_share",
                "Events with an unmapped label",
                "How many events carry a label that nobody has filed?",
                "events with an unknown kind, entry, care area or alarm label",
                "events",
                "events",
            ),
            (
                "quarantine_share",
                "Records in quarantine",
                "How many records wait because they cannot be read?",
                "records in quarantine; without a readable time, in the month of their neighbour",
                "records that gave an event, and records in quarantine",
                "records",
            ),
            (
                "clock_corrected_share",
                "Events with a corrected clock",
                "How many times rest on a correction of the pump's clock?",
                "events whose time was corrected by clocks.csv",
                "events",
                "events",
            ),
            (
                "uncertain_share",
                "Uncertain infusions",
                "How many infusions could not be rebuilt without a doubt?",
                "infusions with an unknown stretch, a missing start or stop, a gap, or an unclear time",
                "infusions",
                "infusions",
            ),
        )
    ),
    _share(
        "order_driven_share",
        "Starts from an order",
        "How many starts were filled in from an order?",
        "starts that were pre-filled from an order",
        "starts whose origin is known",
        _STARTS_OUT,
        base="starts",
        direction=Direction.UP,
        needs=("infusion_started", "order_received"),
    ),
)

#: id -> Measure, in the order in which reports list them.
MEASURES: Final[dict[str, Measure]] = {measure.id: measure for measure in _LIST}
