"""Doses of the stretches of a case, from what its own events log.

The dose in force may be that of an earlier programme, where a log names doses now and then only: then it is
worked out from the rate, or not told.
"""

from __future__ import annotations

import contextlib

from dripledger.dosing import Amount, dose_of_rate
from dripledger.errors import DripledgerError
from dripledger.incidents.case import Case
from dripledger.incidents.doubts import SETS
from dripledger.incidents.parts import Stretch
from dripledger.incidents.rows import Row


def dose_unit_of(case: Case, segment: Row) -> str | None:
    """Return the unit in which an event of the stretch's own infusion logs a dose; None: none does."""
    begins = next(
        (i["started_at"] for i in case.infusions if i["infusion_id"] == segment["infusion_id"]),
        segment["started_at"],
    )
    for event in case.events:
        own = event["channel"] == segment["channel"] and begins <= event["occurred_at"] < segment["ended_at"]
        if own and event["dose_value"] is not None and event["dose_unit"] is not None:
            return str(event["dose_unit"])
    return None


def dose_told(case: Case, segment: Row) -> float | None:
    """Return the dose that was logged for what a stretch runs at; None where rate or weight changed since.

    A segment keeps the last dose that was logged, also where only rates were logged after it.
    """
    dose: float | None = segment["dose_value"]
    if dose is None or segment["state"] != "running":
        return dose
    told = [
        e for e in case.events
        if e["kind"] in SETS and e["channel"] == segment["channel"] and e["dose_value"] == dose
        and e["dose_unit"] == segment["dose_unit"]
        and (e["clock_run"], e["occurred_at"]) <= (segment["clock_run"], segment["started_at"])
    ]  # fmt: skip
    if not told:
        return None
    event = told[-1]
    then = next(
        (s for s in case.segments
         if s["channel"] == segment["channel"] and s["clock_run"] == event["clock_run"]
         and s["started_at"] <= event["occurred_at"] < s["ended_at"]),
        segment,
    )  # fmt: skip
    rate = then["rate_ml_h"] if event["rate_ml_h"] is None else event["rate_ml_h"]
    same = rate == segment["rate_ml_h"] and then["weight_kg"] in (None, segment["weight_kg"])
    return dose if same else None


def stretches_of(case: Case) -> list[Stretch]:
    """Return the stretches of a case; a dose follows from the rate where it can, else it is as logged."""
    found = []
    for row in case.segments:
        unit = dose_unit_of(case, row)
        dose = None if unit is None else dose_told(case, row)
        if unit is not None and row["rate_ml_h"] is not None and row["concentration_value"] is not None:
            strength = Amount(row["concentration_value"], row["concentration_unit"])
            with contextlib.suppress(DripledgerError):
                value = dose_of_rate(row["rate_ml_h"], strength, unit, weight_kg=row["weight_kg"]).value
                dose = round(value, 9)
        volume = None if row["volume_ml"] is None else float(row["volume_ml"])
        found.append(
            Stretch(
                str(row["channel"]), row["started_at"], row["ended_at"], row["state"], row["rate_ml_h"], dose,
                unit, volume, row["entry"], int(row["clock_run"]),
            )
        )  # fmt: skip
    return found
