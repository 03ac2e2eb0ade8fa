"""Every measure, defined once: what it asks, what it counts, what it leaves out, and what it needs.

Reports, the command line and documents print these texts; nothing else defines a measure. Those of limit
alerts and of alarms stand in files of their own and are gathered here.
"""

from __future__ import annotations

from typing import Final

from dripledger.measures.alarm_definitions import ALARM_MEASURES
from dripledger.measures.defining import CONTEXT, START, STARTS_OUT, share
from dripledger.measures.limit_definitions import LIMIT_MEASURES
from dripledger.measures.measure import Amount, Direction, IntervalKind, Least, Measure, Part

#: Counts up when a definition changes what a number means; stamped on every output.
DEFINITIONS_VERSION: Final = "4"

NOT_BUILT: Final = "not calculated by this version yet"

_QUALITY_GROUPS: Final = ("source",)
_UNKNOWN_USE: Final = "of unknown library use"
_WHOLE: Final = "a property of the logs, not of an area"

_LIST: Final = (
    share(
        "library_use_starts",
        "Starts under an entry",
        "How many infusions were started inside the drug library?",
        "starts under an entry, with limits or without",
        "starts with known library use",
        STARTS_OUT,
        base="starts",
        direction=Direction.UP,
        needs=START,
        unknown=_UNKNOWN_USE,
    ),
    share(
        "library_use_hours",
        "Running hours under an entry",
        "How much of the running time was inside the drug library?",
        "running hours under an entry, with limits or without",
        "running hours with known library use",
        f"hours in any state but running and bolus; hours whose library use is not known; {CONTEXT}",
        base="running hours",
        direction=Direction.UP,
        needs=START,
        least=Least.HOURS,
        interval=IntervalKind.CLUSTERED,
        counted=Amount.HOURS,
        over=Amount.HOURS,
        unknown=_UNKNOWN_USE,
    ),
    share(
        "protected_share",
        "Starts with a hard high limit",
        "How many starts ran under a hard high limit on dose or rate?",
        "starts under an entry with a hard high limit on dose or rate in force",
        "starts with known library use",
        f"{STARTS_OUT}; starts whose library version, entry or concentration is in no library file",
        base="starts",
        direction=Direction.UP,
        needs=START,
        unknown="that no library file covers",
    ),
    *LIMIT_MEASURES,
    *ALARM_MEASURES,
    share(
        "stale_library_share",
        "Starts on an older library",
        "How many starts ran on a library more than 7 days out of date?",
        "starts more than 7 days after a newer release was available to that model of pump",
        "starts with known library version",
        "false starts; infusions that begin with a patient change or whose start is missing from the log; "
        "releases that no pump of the model ever had; "
        f"{CONTEXT}",
        base="starts",
        direction=Direction.DOWN,
        needs=START,
        unknown="of unknown library version",
    ),
    share(
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
    ),
    share(
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
    ),
    *(
        share(
            name,
            title,
            question,
            numerator,
            denominator,
            CONTEXT if name == "uncertain_share" else "nothing",
            base=base,
            direction=Direction.DOWN,
            needs=(),
            least=Least.NONE,
            interval=IntervalKind.NONE,
            groups=_QUALITY_GROUPS,
            comparable=(False, _WHOLE),
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
    share(
        "order_driven_share",
        "Starts from an order",
        "How many starts were filled in from an order?",
        "starts that were pre-filled from an order",
        "starts whose origin is known",
        STARTS_OUT,
        base="starts",
        direction=Direction.UP,
        needs=("infusion_started", "order_received"),
        built=False,
    ),
)

#: id -> Measure, in the order in which reports list them.
MEASURES: Final[dict[str, Measure]] = {measure.id: measure for measure in _LIST}

#: Name of a row of the table -> the measure that it belongs to, and which part it is (None: the whole).
ROWS: Final[dict[str, tuple[Measure, Part | None]]] = {
    name: (measure, part) for measure in MEASURES.values() for name, part in measure.rows.items()
}
