"""The oracle's arithmetic, and the rows that it makes of what it has read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import Any

from tests.generative.oracle_words import (
    DELIVERING,
    HOUR_US,
    RUNS,
    Event,
    Infusion,
    Piece,
    Programme,
    Rules,
    exact,
    moment,
)

from dripledger.schema.units import UNITS


def rate_of_dose(programme: Programme, weight_kg: float | None) -> Fraction | None:
    """51: mL/h from dose, concentration and weight."""
    per_hour = amount_per_hour(programme, weight_kg)
    strength = per_ml(programme)
    if per_hour is not None and UNITS[per_hour[1]].dimension == "volume":
        return per_hour[0] * Fraction(repr(UNITS[per_hour[1]].factor))  # a dose that is a volume, as mL/kg/h
    if per_hour is None or strength is None or strength[0] == 0:
        return None
    if UNITS[per_hour[1]].dimension != UNITS[strength[1]].dimension:
        return None
    return per_hour[0] * exact(UNITS[per_hour[1]].factor) / exact(UNITS[strength[1]].factor) / strength[0]  # type: ignore[operator]


def amount_per_hour(programme: Programme, weight_kg: float | None) -> tuple[Fraction, str] | None:
    """A dose rate as an amount per hour, with the amount's unit."""
    unit = UNITS.get(programme.dose_unit or "")
    dose, weight = exact(programme.dose_value), exact(weight_kg)
    if unit is None or dose is None or unit.per_time_s is None or unit.per_m2:
        return None
    if unit.per_kg:
        if weight is None:
            return None
        dose *= weight
    return dose * 3600 / Fraction(repr(unit.per_time_s)), unit.amount_code


def per_ml(programme: Programme) -> tuple[Fraction, str] | None:
    """A concentration as an amount per millilitre, with the amount's unit."""
    unit = UNITS.get(programme.concentration_unit or "")
    value = exact(programme.concentration_value)
    if unit is None or value is None or unit.per_volume_ml is None:
        return None
    return value / Fraction(repr(unit.per_volume_ml)), unit.amount_code


def known(use: str | None) -> str | None:
    """Return a library use, nothing where it is not known."""
    return None if use == "unknown" else use


def nine(value: Fraction) -> Decimal:
    """Round to nine decimals, half away from zero."""
    scaled = abs(value) * 10**9
    whole = (scaled + Fraction(1, 2)).__floor__()
    return Decimal(-whole if value < 0 else whole).scaleb(-9)


def segments_of(infusion: Infusion, pump: Event, channel: str) -> list[dict[str, Any]]:
    merged: list[Piece] = []
    for piece in infusion.pieces:
        if piece.end <= piece.begin:
            continue
        shown = piece.programme
        piece.programme = replace(
            shown,
            fluid_source=shown.fluid_source or "primary",
            library_use=known(shown.library_use),
            known_use=None,
        )
        same = (
            merged
            and merged[-1].end == piece.begin
            and (
                merged[-1].state,
                merged[-1].rate,
                merged[-1].programme,
                merged[-1].place,
                merged[-1].amount_rate,
            )
            == (piece.state, piece.rate, piece.programme, piece.place, piece.amount_rate)
        )
        if same:
            merged[-1] = replace(merged[-1], end=piece.end)
        else:
            merged.append(piece)
    return [_segment(infusion, piece, pump, channel) for piece in merged]


def _segment(infusion: Infusion, piece: Piece, pump: Event, channel: str) -> dict[str, Any]:
    hours = Fraction(piece.end - piece.begin, HOUR_US)
    volume = None if piece.rate is None else piece.rate * hours
    amount, unit = None, None
    strength = per_ml(piece.programme)
    if piece.state in DELIVERING:
        if volume is not None and strength is not None:
            amount, unit = volume * strength[0], strength[1]
        elif piece.amount_rate is not None:
            amount, unit = piece.amount_rate[0] * hours, piece.amount_rate[1]
    begin = moment(piece.begin)
    assert begin is not None
    return {
        "infusion_id": infusion.infusion_id, "facility": pump["facility"], "pump_id": pump["pump_id"],
        "channel": channel, "started_at": begin, "ended_at": moment(piece.end), "state": piece.state,
        "rate_ml_h": None if piece.rate is None else float(piece.rate),
        "volume_ml": None if volume is None else nine(volume),
        "amount": None if amount is None else nine(amount), "amount_unit": unit,
        "care_area": piece.place.care_area, "entry": piece.programme.entry,
        "library_use": piece.programme.library_use, "library_version": piece.place.library_version,
        "weight_kg": piece.place.weight_kg, "concentration_value": piece.programme.concentration_value,
        "concentration_unit": piece.programme.concentration_unit, "dose_value": piece.programme.dose_value,
        "dose_unit": piece.programme.dose_unit, "fluid_source": piece.programme.fluid_source or "primary",
        "patient_key": piece.place.patient_key, "month": begin.strftime("%Y-%m"),
        "_us": piece.end - piece.begin,
    }  # fmt: skip


def _total(parts: Sequence[Decimal | None]) -> Decimal | None:
    """A sum, or nothing where a part is not known."""
    known = [part for part in parts if part is not None]
    return sum(known, Decimal(0)) if len(known) == len(parts) else None


def _reported(infusion: Infusion) -> Fraction | None:
    """28: the pump's own total, of the first scope that has one."""
    told = (_reported_by(scope, infusion) for scope in ("infusion", "since_cleared", "segment"))
    return next((total for total in told if total is not None), None)


def _reported_by(scope: str, infusion: Infusion) -> Fraction | None:
    readings = [r for r in infusion.readings if r[0] == scope]
    if len(readings) < (2 if scope == "since_cleared" else 1):
        return None
    # where the counter may begin anew: at a clear, at a start that continues ours, with each stretch
    parts: list[list[Fraction]] = [[readings[0][1]]]
    for a, b in pairwise(readings):
        fell, started, cleared, changed = b[1] < a[1], b[2] > a[2], b[3] > a[3], b[5] > a[5]
        begins = {
            "infusion": fell and (cleared or started),
            "since_cleared": cleared,
            "segment": started or changed,
        }[scope]
        if fell and not begins:
            return None
        if begins:
            parts.append([])
        parts[-1].append(b[1])
    total = sum((part[-1] for part in parts), Fraction(0))
    return total - parts[0][0] if scope == "since_cleared" else total


def infusion_row(
    infusion: Infusion,
    segments: list[dict[str, Any]],
    channel: str,
    rules: Rules,
    contexts: Mapping[str, str],
) -> dict[str, Any]:
    first = infusion.first
    ran = [s for s in segments if s["state"] in RUNS]
    kept_open = [s for s in segments if s["state"] == "keep_open"]
    unknown = any(s["state"] == "unknown" for s in segments)
    running_us = sum(s["_us"] for s in ran)
    volume = _total([s["volume_ml"] for s in ran])
    units = {s["amount_unit"] for s in ran}
    amount = _total([s["amount"] for s in ran]) if len(units) == 1 else None
    reported = _reported(infusion)
    programme, place = infusion.at_start
    doubt = (
        infusion.doubtful or infusion.end_doubt or unknown or infusion.start_kind == "missing"
        or infusion.end_kind == "stop_missing" or first["time_quality"] == "ambiguous"
    )  # fmt: skip  # 21
    at_end = bool(infusion.readings) and infusion.readings[-1][4] == infusion.ended_at
    nothing = reported == 0 and at_end
    short = not unknown and (running_us < rules.false_start or volume == 0)
    false_start = (
        infusion.end_kind != "open"
        and infusion.start_kind not in {"missing", "patient_change"}
        and (short or nothing)
    )  # 23
    started = moment(infusion.started_at)
    assert started is not None
    area = place.care_area
    return {
        "infusion_id": infusion.infusion_id, "continues_infusion_id": infusion.continues,
        "facility": first["facility"], "pump_id": first["pump_id"], "pump_type": first["pump_type"],
        "channel": channel, "started_at": started,
        "ended_at": moment(infusion.ended_at) if infusion.end_kind != "open" else None,
        "start_kind": infusion.start_kind, "end_kind": infusion.end_kind, "care_area": area,
        "entry": programme.entry, "library_use": known(programme.library_use),
        "library_version": place.library_version, "running_hours": running_us / HOUR_US, "volume_ml": volume,
        "volume_keep_open_ml": _total([s["volume_ml"] for s in kept_open]),
        "volume_reported_ml": None if reported is None else float(reported), "amount": amount,
        "amount_unit": next(iter(units)) if amount is not None else None,
        "user_rate_changes": infusion.rate_changes, "uncertain": doubt, "false_start": false_start,
        "use_context": first["use_context"] or contexts.get(area or "") or "unknown",
        "concentration_value": programme.concentration_value,
        "concentration_unit": programme.concentration_unit,
        "fluid_source": programme.fluid_source or "primary",
        "patient_key": place.patient_key, "source_name": first["source_name"],
        "month": started.strftime("%Y-%m"),
    }  # fmt: skip
