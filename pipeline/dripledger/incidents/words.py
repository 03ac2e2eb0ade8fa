"""What happened at one event, in plain words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from dripledger.incidents.moments import seconds_text
from dripledger.schema import EVENT_KINDS

Row = Mapping[str, Any]
#: Factors that have a name of their own; within two per cent of them.
_FOLDS: Final = {2: "doubled", 5: "fivefold", 10: "tenfold", 100: "a hundredfold", 1000: "a thousandfold"}
_QUANTITY: Final = {
    "dose_rate": "dose rate", "flow_rate": "flow rate", "bolus_dose": "bolus dose", "rate_change": "rate "
                                                                                                   "change",
}  # fmt: skip


def number(value: float | None) -> str:
    """Return a value with at most six digits that say something."""
    return "" if value is None else f"{value:.6g}"


def fold_text(before: float | None, after: float | None) -> str:
    """Return how many times more or less a value became; nothing where it is under twice."""
    if before is None or after is None or before <= 0 or after <= 0:
        return ""
    ratio = after / before if after >= before else before / after
    if ratio < 1.95:
        return ""
    named = next((word for fold, word in _FOLDS.items() if math.isclose(ratio, fold, rel_tol=0.02)), None)
    if after >= before:
        return named or f"{ratio:.3g} times as much"
    down = {"doubled": "halved", "fivefold": "a fifth", "tenfold": "a tenth", "a hundredfold": "a hundredth",
            "a thousandfold": "a thousandth"}  # fmt: skip
    return down[named] if named else f"{ratio:.3g} times less"


def describe(event: Row, rate_before: float | None, dose_before: float | None, alarm: Row | None) -> str:
    """Return what happened.

    Parameters
    ----------
    event
        A row of `events`.
    rate_before, dose_before
        The rate (mL/h) and dose (in the event's own unit) in force just before; None: not known, or none ran.
    alarm
        The alarm that the event raised, as a row of `alarms`; else None.
    """
    kind = str(event["kind"])
    parts = [_head(event, kind, rate_before)]
    if kind in ("rate_changed", "infusion_started", "infusion_resumed", "bolus_started", "kvo_started"):
        parts += _dose(event, dose_before, kind)
    if event["volume_to_infuse_ml"] is not None:
        parts.append(f"volume to infuse {number(event['volume_to_infuse_ml'])} mL")
    if event["programmed_duration_s"] is not None:
        parts.append(f"over {seconds_text(event['programmed_duration_s'])}")
    if alarm is not None:
        parts.append(_alarm(alarm))
    if event["implausible"]:
        parts.append("cannot be as logged: " + ", ".join(n.replace("_", " ") for n in event["implausible"]))
    if event["initiator"] in ("pump", "order"):
        parts.append("by the pump itself" if event["initiator"] == "pump" else "by an order")
    return "; ".join(part for part in parts if part)


def _head(event: Row, kind: str, rate_before: float | None) -> str:
    rate = event["rate_ml_h"]
    if kind == "rate_changed" and rate is not None:
        before = event["previous_rate_ml_h"] if event["previous_rate_ml_h"] is not None else rate_before
        if before is None:
            return f"rate set to {number(rate)} mL/h"
        fold = fold_text(before, rate)
        return f"rate changed from {number(before)} to {number(rate)} mL/h" + (f": {fold}" if fold else "")
    if kind in ("infusion_started", "infusion_resumed", "kvo_started", "bolus_started") and rate is not None:
        word = {
            "infusion_started": "delivery started", "infusion_resumed": "delivery resumed",
            "kvo_started": "keep-open began", "bolus_started": "bolus began",
        }[kind]  # fmt: skip
        return f"{word} at {number(rate)} mL/h"
    if kind in ("limit_alerted", "limit_overridden", "reprogrammed_within_limits", "attempt_cancelled"):
        return _limit(event, kind)
    if kind in ("alarm_raised", "alarm_updated", "alarm_silenced", "alarm_cleared", "fault_logged"):
        word = {
            "alarm_raised": "alarm", "alarm_updated": "alarm again", "alarm_silenced": "alarm silenced",
            "alarm_cleared": "alarm cleared", "fault_logged": "fault",
        }[kind]  # fmt: skip
        told = str(event["alarm_kind"] or "").replace("_", " ") or "of unknown kind"
        label = f" ({event['alarm_label']})" if event["alarm_label"] else ""
        code = f", code {event['error_code']}" if event["error_code"] else ""
        return f"{word}: {told}{label}{code}"
    if kind == "weight_changed" and event["weight_kg"] is not None:
        return f"weight entered: {number(event['weight_kg'])} kg"
    if kind == "care_area_selected":
        return f"care area selected: {event['care_area'] or event['care_area_logged'] or 'not named'}"
    if kind == "volume_reported" and event["volume_delivered_ml"] is not None:
        scope = str(event["volume_scope"] or "").replace("_", " ")
        return f"the pump's own total: {number(event['volume_delivered_ml'])} mL" + (
            f" ({scope})" if scope else ""
        )
    if kind in ("library_installed", "library_received") and event["library_version"]:
        return f"{EVENT_KINDS[kind]}: {event['library_version']}"
    if kind == "other":
        return f"a label that nobody has filed: {event['kind_logged'] or 'empty'}"
    if kind in ("infusion_stopped", "infusion_paused") and event["stop_reason"]:
        return f"{EVENT_KINDS[kind]}: {event['stop_reason']}"
    return EVENT_KINDS[kind]


def _dose(event: Row, dose_before: float | None, kind: str) -> list[str]:
    dose, unit = event["dose_value"], event["dose_unit"]
    if dose is None or unit is None:
        return []
    before = event["previous_dose_value"] if event["previous_dose_value"] is not None else dose_before
    if kind == "rate_changed" and before is not None and before != dose:
        return [f"dose from {number(before)} to {number(dose)} {unit}"]
    return [f"dose {number(dose)} {unit}"]


def _limit(event: Row, kind: str) -> str:
    limit = " ".join(str(event[n]) for n in ("limit_kind", "limit_side") if event[n])
    quantity = _QUANTITY.get(
        str(event["limit_quantity"]), str(event["limit_quantity"] or "").replace("_", " ")
    )
    unit = str(event["limit_unit"] or "")
    word = {
        "limit_alerted": "limit alert", "limit_overridden": "confirmed past the limit",
        "reprogrammed_within_limits": "brought within limits", "attempt_cancelled": "given up after a "
                                                                                    "warning",
    }[kind]  # fmt: skip
    told = f"{word}: {limit} limit" if limit else word
    if quantity:
        told += f" on {quantity}"
    if event["entered_value"] is not None:
        told += f", entered {number(event['entered_value'])} {unit}".rstrip()
    if event["limit_value"] is not None:
        told += f" against {number(event['limit_value'])} {unit}".rstrip()
    return told


def _alarm(alarm: Row) -> str:
    told = []
    if alarm["alarm_priority"]:
        told.append(f"priority {alarm['alarm_priority']}")
    for name, word in (("silenced_at", "silenced after"), ("cleared_at", "cleared after")):
        if alarm[name] is not None:
            told.append(f"{word} {seconds_text((alarm[name] - alarm['raised_at']).total_seconds())}")
    if alarm["cleared_at"] is None:
        told.append("clearing never logged")
    stopped = {True: "it stopped the delivery", False: "it did not stop the delivery", None: ""}
    told.append(stopped[alarm["stopped_delivery"]] or "whether it stopped the delivery is not known")
    if alarm["raw_count"] and alarm["raw_count"] > 1:
        told.append(f"sounded {alarm['raw_count']} times")
    return ", ".join(told)
