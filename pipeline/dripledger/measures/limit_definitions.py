"""Measures of limit alerts: how often a limit warns, and what became of the warning."""

from __future__ import annotations

from typing import Final

from dripledger.measures.defining import CONTEXT, DRUGS_DIFFER, WARNED, share
from dripledger.measures.measure import Direction, Form, IntervalKind, Least, Measure, Part
from dripledger.schema.codes import PHASES

#: Outcomes of an attempt in words, in the order of the tables.
OUTCOME_WORDS: Final = {
    "overridden": "overridden",
    "within_limits": "brought within limits",
    "left_library": "left the library",
    "unchanged": "change given up",
    "cancelled": "cancelled",
    "unknown": "unknown",
}

_PHASES: Final = dict(zip(PHASES, ("at a start", "at a change", "at a bolus"), strict=True))
_CANNOT: Final = f"{CONTEXT}; pumps that cannot log limit alerts"
_UNKNOWN: Final = f"attempts with unknown outcome; {_CANNOT}"
_ATTEMPTS_OF_NO_KIND: Final = "attempts of which the log does not tell whether the limit was soft or hard"
_UNKNOWN_OUTCOME: Final = "of unknown outcome"
_NO_WORD_OF_USE: Final = "where the log does not tell what was inside the library, or what it set"
_NO_KIND_IN_LOG: Final = "where the log does not tell soft limits from hard ones"
_UNKNOWN_USE: Final = "of which the log does not tell whether they were inside the library"
_NO_KIND: Final = "of which the log does not tell whether the limit was soft or hard"
_LEFT_OUT_KINDS: Final = (
    "programmings with an alert of which the log does not tell whether the limit was soft or hard, and the "
    "whole month of a source that tells it of none"
)
_LEFT_OUT_USE: Final = (
    "starts whose library use is not known, with the limit alerts of their infusions, changes that log no "
    "value, and the whole month of a source in which more of them are not known than known"
)
#: Times the limit from which an override counts as far; the first is the measure itself.
FAR_TIMES: Final = (2, 5, 10)

LIMIT_MEASURES: Final[tuple[Measure, ...]] = (
    *(
        share(
            f"{kind}_alert_share",
            f"Programmings with a {kind} limit alert",
            f"How often does programming inside the library meet a {kind} limit?",
            f"programmings with a {kind} limit alert",
            "in-library programmings",
            f"programmings outside the library; {_LEFT_OUT_USE}; {_LEFT_OUT_KINDS}; {_CANNOT}",
            base="in-library programmings",
            direction=Direction.NONE,
            needs=WARNED,
            comparable=DRUGS_DIFFER,
            interval=IntervalKind.CLUSTERED,
            parts=tuple(Part(phase, words, "phase", phase) for phase, words in _PHASES.items()),
            parts_of_whole=False,
            unknown=_NO_WORD_OF_USE,
            untold=_NO_KIND_IN_LOG,
            left_out_base="programmings",
        )
        for kind in ("soft", "hard")
    ),
    *(
        share(
            f"{kind}_alerts_per_100_infusions",
            f"Programmings with a {kind} limit alert per 100 in-library infusions",
            f"How many {kind} limit warnings come with a hundred infusions inside the library?",
            f"programmings with a {kind} limit alert",
            "in-library infusions that begin in the month / 100",
            "false starts; infusions that begin with a patient change or whose start is missing; "
            f"{_LEFT_OUT_USE}; {_LEFT_OUT_KINDS}; {_CANNOT}",
            base="in-library infusions",
            unit="per 100 in-library infusions",
            direction=Direction.NONE,
            needs=WARNED,
            comparable=DRUGS_DIFFER,
            interval=IntervalKind.CLUSTERED_RATE,
            form=Form.RATE,
            unknown=_NO_WORD_OF_USE,
            untold=_NO_KIND_IN_LOG,
            left_out_base="infusions",
            passed_over=("programmings", "with an alert of no known kind"),
        )
        for kind in ("soft", "hard")
    ),
    *(
        share(
            f"outcomes_{kind}",
            f"What became of attempts that met a {kind} limit",
            f"What did people do after a {kind} limit alert?",
            "attempts with each of the six outcomes; the parts sum to all, unknown is shown",
            f"attempts that met a {kind} limit",
            f"{_ATTEMPTS_OF_NO_KIND}; {_CANNOT}",
            base="attempts",
            direction=Direction.NONE,
            needs=WARNED,
            comparable=DRUGS_DIFFER,
            parts=tuple(Part(code, words, "outcome", code) for code, words in OUTCOME_WORDS.items()),
            parts_alone=True,
            untold=_NO_KIND,
        )
        for kind in ("soft", "hard")
    ),
    share(
        "override_share",
        "Soft-limit attempts overridden",
        "How often is a soft limit confirmed past?",
        "soft-limit attempts that were overridden",
        "soft-limit attempts with known outcome",
        f"{_ATTEMPTS_OF_NO_KIND}; {_UNKNOWN}",
        base="attempts",
        direction=Direction.NONE,
        needs=WARNED,
        comparable=DRUGS_DIFFER,
        source="this project's definition; common practice sets no target for it",
        unknown=_UNKNOWN_OUTCOME,
        untold=_NO_KIND,
    ),
    share(
        "infusion_override_share",
        "Infusions with a soft alert that ran past one",
        "Of the infusions that met a soft limit, how many ran past one?",
        "in-library infusions with an override",
        "in-library infusions with a soft limit alert, in the month and area of the first",
        f"attempts that led to no infusion inside the library; {_ATTEMPTS_OF_NO_KIND}; {_CANNOT}",
        base="infusions",
        direction=Direction.NONE,
        needs=WARNED,
        comparable=DRUGS_DIFFER,
        unknown=_UNKNOWN_USE,
        untold=_NO_KIND,
    ),
    share(
        "override_repeat_share",
        "Overrides that repeat one of the same infusion",
        "How many overrides are not an infusion's first?",
        "overrides after the first of the same in-library infusion",
        "soft-limit overrides in in-library infusions",
        f"attempts that led to no infusion inside the library; {_ATTEMPTS_OF_NO_KIND}; {_CANNOT}",
        base="overrides",
        direction=Direction.NONE,
        needs=WARNED,
        comparable=DRUGS_DIFFER,
        unknown=_UNKNOWN_USE,
        untold=_NO_KIND,
    ),
    share(
        "left_library_share",
        "Attempts that left the library",
        "How often does a limit alert end outside the library?",
        "attempts that left the library; each is listed",
        "attempts with known outcome",
        _UNKNOWN,
        base="attempts",
        direction=Direction.DOWN,
        needs=WARNED,
        unknown=_UNKNOWN_OUTCOME,
    ),
    share(
        "far_overrides",
        "Overrides far over the limit",
        "Which overrides were at 2, 5 or 10 times the limit or more?",
        "overrides at 2 times the limit or more, and of them at 5 and 10 or more; each is listed",
        "overrides with known times the limit; the value is the count itself",
        f"overrides whose times the limit is not known, as for a limit of zero; {_CANNOT}",
        base="overrides",
        unit="count",
        direction=Direction.DOWN,
        needs=("infusion_started",),
        needs_any=("limit_alerted", "limit_overridden"),
        least=Least.NONE,
        interval=IntervalKind.NONE,
        comparable=DRUGS_DIFFER,
        form=Form.COUNT,
        unknown="with unknown times the limit",
        parts=tuple(
            Part(f"{times}x", f"{times} times or more", f"at_{times}x", "yes") for times in FAR_TIMES[1:]
        ),
    ),
    share(
        "override_under_3s_share",
        "Overrides within 3 s of the last alert",
        "How many overrides were confirmed too fast to have been read?",
        "overrides confirmed within 3 s of the attempt's last alert",
        "overrides",
        f"logs whose times are coarser than 1 s; rows that are alert and decision in one; {_CANNOT}",
        base="overrides",
        direction=Direction.DOWN,
        needs=WARNED,
        unknown="whose time from alert to decision is not logged to the second",
    ),
)
