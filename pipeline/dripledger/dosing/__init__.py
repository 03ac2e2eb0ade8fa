"""Rate, dose, concentration and weight; volume, time and rate: pure arithmetic on UCUM units.

It looks back at what a pump was told; it advises no dose.
"""

from dripledger.dosing.arithmetic import (
    Amount,
    Programme,
    amount_of,
    amount_of_dose,
    complete,
    concentration,
    convert_dose,
    dose_in,
    dose_of_rate,
    drop_rate_per_min,
    duration_s,
    per_body,
    rate_ml_h,
    rate_of_dose,
    volume_ml,
    volume_of_amount,
)
from dripledger.dosing.setwise import ASKED, WANTED

__all__ = [
    "ASKED",
    "WANTED",
    "Amount",
    "Programme",
    "amount_of",
    "amount_of_dose",
    "complete",
    "concentration",
    "convert_dose",
    "dose_in",
    "dose_of_rate",
    "drop_rate_per_min",
    "duration_s",
    "per_body",
    "rate_ml_h",
    "rate_of_dose",
    "volume_ml",
    "volume_of_amount",
]
