"""Rate, dose, concentration and weight; volume, time and rate: pure arithmetic on UCUM units.

It looks back at what a pump was told; it advises no dose.
"""

from dripledger.dosing.arithmetic import (
    Amount,
    amount_of,
    concentration,
    convert_dose,
    dose_of_rate,
    drop_rate_per_min,
    duration_s,
    per_body,
    rate_ml_h,
    rate_of_dose,
    volume_ml,
)

__all__ = [
    "Amount",
    "amount_of",
    "concentration",
    "convert_dose",
    "dose_of_rate",
    "drop_rate_per_min",
    "duration_s",
    "per_body",
    "rate_ml_h",
    "rate_of_dose",
    "volume_ml",
]
