"""Words and defaults that the definitions of measures share."""

from __future__ import annotations

from typing import Any, Final

from dripledger.measures.measure import Direction, IntervalKind, Least, Measure

OURS: Final = "this project's definition; working practice of the field, no published wording is followed"
CONTEXT: Final = "infusions whose use is declared as maintenance or training"
STARTS_OUT: Final = (
    "false starts; infusions that begin with a patient change or whose start is missing from the log; starts "
    f"whose library use is not known; {CONTEXT}"
)
AREA_GROUPS: Final = ("care_area", "entry", "pump_type", "high_alert", "source")
SAME_RULES: Final = "the same rules hold in every area"
DRUGS_DIFFER: Final = (False, "areas differ in drugs and limits, and so in how often a limit is met")
START: Final = ("infusion_started",)
WARNED: Final = ("infusion_started", "limit_alerted")


def share(
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
    comparable: tuple[bool, str] = (True, SAME_RULES),
    least: Least = Least.STARTS,
    interval: IntervalKind = IntervalKind.WILSON,
    groups: tuple[str, ...] = AREA_GROUPS,
    unit: str = "share",
    source: str = OURS,
    built: bool = True,
    **more: Any,
) -> Measure:
    """Return a measure; what is not said is as for a share of independent counts by care area."""
    return Measure(
        id, title, question, numerator, denominator, exclusions, unit, base, direction, least, interval,
        *comparable, source, needs, groups, built, **more,
    )  # fmt: skip
