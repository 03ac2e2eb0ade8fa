"""What a draft says of columns that it did not find: which figures rest on them."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Final

#: Column -> measures that read ``not_measurable`` where a source has no such field. A test holds it.
NOT_MEASURABLE: Final[dict[str, tuple[str, ...]]] = {
    "sequence": ("log_completeness",),
    "library_use": ("library_use_starts", "library_use_hours", "soft_alert_share", "hard_alert_share"),
    "limit_kind": ("hard_alert_share",),
    "library_version": ("protected_share", "stale_library_share"),
    "limit_side": ("far_overrides",),
    "limit_value": ("far_overrides",),
}
#: Column -> what else is lost without it.
_ALSO: Final[dict[str, str]] = {
    "care_area": "every figure stands under 'none selected'",
    "entry": "no figure can be split by entry",
    "library_use": (
        "what was inside the library is not known; where every record is, say so: "
        'library_use = { value = "limited" }'
    ),
    "limit_kind": "soft and hard limits cannot be told apart unless the kind of event says which it was",
    "limit_quantity": "nobody knows what the limit was on, nor whether a value was brought within it",
}
#: Columns that only records of limit alerts fill.
_OF_ALERTS: Final = frozenset({"limit_kind", "limit_side", "limit_quantity", "limit_value"})
_ALERTS: Final = frozenset({"limit_alerted", "limit_overridden"})
_ORDER: Final = (
    "care_area", "entry", "sequence", "library_use", "library_version", "limit_kind", "limit_side",
    "limit_quantity", "limit_value",
)  # fmt: skip
#: Measures that need the kind ``limit_alerted`` are named by a few words: there are many.
_NO_ALERTS: Final = (
    "no label clearly names a limit alert: every measure of limit alerts and overrides reads not_measurable "
    "until one is filed and stands in records"
)


def _named(measures: Collection[str]) -> str:
    *others, last = measures
    return f"{', '.join(others)} and {last}" if others else last


def not_found(found: Collection[str], kinds: Collection[str], said: Collection[str] = ()) -> Iterator[str]:
    """Say what cannot be measured without the columns that were not found, a sentence each.

    Parameters
    ----------
    found
        Canonical columns that have a field.
    kinds
        Kinds of event that the draft files a label as; fields of limits count where one is a limit alert.
    said
        Columns that the labels of kinds set.
    """
    warned = not _ALERTS.isdisjoint(kinds)
    for column in _ORDER:
        if column in found or column in said or (column in _OF_ALERTS and not warned):
            continue
        measures = NOT_MEASURABLE.get(column, ())
        verb = "reads" if len(measures) == 1 else "read"
        parts = [f"{_named(measures)} {verb} not_measurable"] if measures else []
        parts += [_ALSO[column]] if column in _ALSO else []
        yield f"{column}: {'; '.join(parts)}"
    if not warned:
        yield f"limits: {_NO_ALERTS}"
