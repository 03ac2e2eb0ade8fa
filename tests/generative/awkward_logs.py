"""Strategies for awkward pump logs: everything that a real log does to a rebuild, in small."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import strategies as st

from dripledger.schema import TABLES, ColumnType

EIGHT = datetime(2026, 3, 10, 8, tzinfo=UTC)
Row = dict[str, Any]


class Log(list[Row]):
    """Rows of events that show themselves in one short line each."""

    def __repr__(self) -> str:
        return "".join(
            f"\n  {e['pump_id']} {e['event_id']} {e['occurred_at']:%H:%M:%S} {e['channel']} {e['kind']}"
            for e in self
        )


#: Steps of time around every boundary of the rules, in seconds.
STEPS_S = (0, 0, 1, 2, 3, 20, 30, 60, 61, 300, 600, 900, 901, 1800, 3600, 3601, 5400)
CONFIRMED = (
    *["infusion_started"] * 3, "infusion_resumed", *["rate_changed"] * 2, "programme_changed",
)  # fmt: skip
STOPPING = (
    *["infusion_stopped"] * 2, "infusion_paused", "infusion_completed", "kvo_started", "standby_entered",
    "door_opened", "dose_cycle_ended",
)  # fmt: skip
OTHERS = (
    "bolus_started", "bolus_ended", *["volume_reported"] * 2, *["alarm_raised"] * 2, "alarm_cleared",
    "alarm_silenced", "key_pressed", "other", "standby_left", "door_closed", "dose_cycle_started",
    "library_bypassed", "limit_alerted", "priming_started", "priming_ended",
)  # fmt: skip
PUMP_LEVEL = (
    "powered_off", "powered_on", "power_lost", *["care_area_selected"] * 2, "patient_changed",
    "weight_changed", "totals_cleared", "key_pressed", "clock_set", "library_installed",
    "standby_entered", "alarm_raised",
)  # fmt: skip


#: Kinds that few logs have, and of which the text says little.
RARE = {
    "dose_cycle_started", "dose_cycle_ended", "priming_started", "priming_ended", "library_bypassed",
}  # fmt: skip


def blank(number: int, at: datetime, kind: str, channel: str) -> Row:
    """One event with every column and nothing logged."""
    row: Row = {
        column.name: ([] if column.type is ColumnType.TEXT_LIST else None)
        for column in TABLES["events"].columns
    }
    row |= {
        "event_id": f"e{number:03}", "kind": kind, "kind_logged": kind, "facility": "Linden", "pump_id": "P1",
        "channel": channel, "sequence_reliable": False, "record_place": 0, "values_digest": number,
        "source_file_sha256": "f1", "source_name": "wards", "source_record": number, "ingest_id": "i1",
        "device_time": at.replace(tzinfo=None), "occurred_at": at, "clock_offset_s": 0.0,
        "time_quality": "exact", "time_resolution_s": 1.0, "month": at.strftime("%Y-%m"),
    }  # fmt: skip
    return row


def _rarely(*values: Any) -> st.SearchStrategy[Any]:
    """Mostly null, sometimes one of these."""
    return st.sampled_from([None] * 3 * len(values) + list(values))


def _confirmed(draw: st.DrawFn, row: Row, names_entry: bool) -> None:
    row["rate_ml_h"] = draw(st.sampled_from([60.0, 60.0, 120.0, 30.0, None, None, 0.0]))
    row["entry"] = draw(_rarely("heparin", "heparin", "insulin"))
    row["library_use"] = draw(_rarely("limited", "limited", "bypassed", "no_limit_entry", *["unknown"] * 2))
    if names_entry:
        # not always with a word of its library use
        row["entry"], row["library_use"] = "heparin", draw(st.sampled_from(["limited", "unknown", None]))
    strength = draw(_rarely(2.0, 2.0, 4.0))
    if strength is not None:
        row["concentration_value"], row["concentration_unit"] = strength, "mg/mL"
    dose = draw(_rarely((120.0, "mg/h"), (2.0, "mg/kg/h")))
    if dose is not None:
        row["dose_value"], row["dose_unit"] = dose
    row["volume_to_infuse_ml"] = draw(_rarely(10.0, 60.0, 240.0))
    if row["kind"] in {"infusion_started", "infusion_resumed"}:
        row["fluid_source"] = draw(_rarely("primary", "primary", "secondary"))
    row["initiator"] = draw(_rarely("user", "pump", "order"))


@st.composite
def fleets(draw: st.DrawFn, *, most_pumps: int = 6, most: int = 14, rare: bool = True) -> Log:
    """The logs of several pumps in one table, so that one build tries many."""
    rows = Log()
    for pump, log in enumerate(
        draw(st.lists(pump_logs(most=most, rare=rare), min_size=1, max_size=most_pumps)), start=1
    ):
        rows += [row | {"pump_id": f"P{pump}", "event_id": f"p{pump}{row['event_id']}"} for row in log]
    return rows


@st.composite
def pump_logs(draw: st.DrawFn, *, most: int = 14, rare: bool = True) -> list[Row]:
    """One pump's log: one to three channels, numbered or not, with gaps, resets and a clock set back.

    Without the rare, there is no priming, no dose cycle, no bolus of unknown rate, no dose that is logged
    without its rate, and no bypass that waits.
    """
    channels = ["A", "B", "C"][: draw(st.sampled_from([1, 1, 2, 3]))]
    numbering = draw(st.sampled_from(["none", "whole", "whole", "holes", "reset", "declared_unreliable"]))
    scope = draw(st.sampled_from(["infusion", "segment", "since_cleared"]))
    names_entry = draw(st.integers(0, 3)) == 0  # the same one on nearly every row
    at, number, rows = EIGHT, 100, []
    counter = 0.0
    for place in range(draw(st.integers(2, most))):
        at += timedelta(seconds=draw(st.sampled_from(STEPS_S)))
        group = draw(
            st.sampled_from([CONFIRMED, CONFIRMED, CONFIRMED, STOPPING, STOPPING, OTHERS, PUMP_LEVEL])
        )
        kind = draw(st.sampled_from(group if rare else [kind for kind in group if kind not in RARE]))
        row = blank(place, at, kind, "" if group is PUMP_LEVEL else draw(st.sampled_from(channels)))
        if group is CONFIRMED:
            _confirmed(draw, row, names_entry and draw(st.integers(0, 3)) > 0)
            if not rare and row["rate_ml_h"] is None:
                row["dose_value"] = row["dose_unit"] = None
        if kind in {"bolus_started", "kvo_started", "priming_started", "library_bypassed"}:
            row["rate_ml_h"] = draw(st.sampled_from([6.0, 300.0, None] if rare else [6.0, 300.0]))
            row["bolus_adds_to_basal"] = draw(st.sampled_from([None, True, False]))
        if kind in {"volume_reported", "infusion_stopped", "infusion_completed"} and draw(st.booleans()):
            counter = draw(st.sampled_from([counter, counter + 7.0, 0.0]))
            row["volume_delivered_ml"], row["volume_scope"] = counter, scope
        if kind == "alarm_raised":
            row["alarm_kind"] = draw(st.sampled_from(["occlusion", "occlusion", "low_battery", "near_end"]))
            row["stops_delivery"] = draw(st.sampled_from([None, True, False]))
        if kind == "infusion_stopped":
            row["stops_delivery"] = draw(_rarely(True))
        if kind == "care_area_selected":
            row["care_area"] = draw(st.sampled_from(["ICU", "Ward"]))
        if kind == "weight_changed":
            row["weight_kg"] = draw(st.sampled_from([60.0, 80.0]))
        if kind == "library_installed":
            row["library_version"] = draw(st.sampled_from(["v1", "v2"]))
        if kind == "limit_alerted":
            row["entered_value"], row["rate_ml_h"], row["entry"] = 900.0, 900.0, "insulin"
        if kind == "other":
            row["unmapped"] = draw(st.sampled_from([[], ["kind"]]))
            row["running_logged"] = draw(_rarely(True))
        if kind in {"patient_changed", "infusion_started", "key_pressed", "rate_changed"}:
            row["patient_key"] = draw(_rarely("k1", "k1", "k2"))
        if kind == "infusion_started":
            row["care_area"] = draw(_rarely("ICU", "ICU", "Ward"))
            row["weight_kg"] = draw(_rarely(60.0))
        row["time_quality"] = draw(st.sampled_from(["exact"] * 12 + ["ambiguous"]))
        number += 1
        if numbering == "holes" and draw(st.integers(0, 3)) == 0:
            number += draw(st.integers(1, 3))
        if numbering == "reset" and draw(st.integers(0, 5)) == 0:
            number = 1
        if numbering != "none":
            row["sequence"], row["sequence_reliable"] = number, numbering != "declared_unreliable"
        rows.append(row)
        if kind == "clock_set" and numbering == "whole":
            at -= timedelta(seconds=draw(st.sampled_from([0, 600, 3600])))
    return rows
