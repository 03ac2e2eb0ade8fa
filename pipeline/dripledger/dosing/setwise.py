"""The set-wise form of the arithmetic: what the relation ``dosing_asked`` must hold.

``sql/dosing/dosing_results.sql`` answers every row of it from the table ``units``, which
`schema.units.register_units` makes. The functions of `arithmetic` answer the same questions one by one; a
test holds them equal.
"""

from __future__ import annotations

from typing import Final

import pyarrow as pa

#: What can be asked for.
WANTED: Final = ("flow_rate", "dose_rate", "concentration", "amount", "volume", "duration")

#: Columns of ``dosing_asked``: a question, the unit of its answer, and all that is known. A quantity with a
#: unit of its own stands as value and UCUM code; null is not known.
ASKED: Final = pa.schema(
    [
        ("asked_id", pa.int64()),
        ("wanted", pa.string()),
        ("unit", pa.string()),
        ("rate_ml_h", pa.float64()),
        ("dose_value", pa.float64()),
        ("dose_unit", pa.string()),
        ("concentration_value", pa.float64()),
        ("concentration_unit", pa.string()),
        ("weight_kg", pa.float64()),
        ("bsa_m2", pa.float64()),
        ("volume_ml", pa.float64()),
        ("duration_s", pa.float64()),
        ("amount_value", pa.float64()),
        ("amount_unit", pa.string()),
    ]
)
