"""Doses of the stretches of a case, from what its own events log.

The dose in force may be that of an earlier programme, where a log names doses now and then only.
"""

from __future__ import annotations

import contextlib

from dripledger.dosing import Amount, dose_of_rate
from dripledger.errors import DripledgerError
from dripledger.incidents.case import Case
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


def stretches_of(case: Case) -> list[Stretch]:
    """Return the stretches of a case; a dose follows from the rate where it can, else it is as logged."""
    found = []
    for row in case.segments:
        unit = dose_unit_of(case, row)
        dose = None if unit is None else row["dose_value"]
        if unit is not None and row["rate_ml_h"] is not None and row["concentration_value"] is not None:
            strength = Amount(row["concentration_value"], row["concentration_unit"])
            with contextlib.suppress(DripledgerError):
                value = dose_of_rate(row["rate_ml_h"], strength, unit, weight_kg=row["weight_kg"]).value
                dose = round(value, 9)
        volume = None if row["volume_ml"] is None else float(row["volume_ml"])
        found.append(
            Stretch(
                str(row["channel"]), row["started_at"], row["ended_at"], row["state"], row["rate_ml_h"], dose,
                unit, volume, row["entry"],
            )
        )  # fmt: skip
    return found
