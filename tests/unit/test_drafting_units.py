"""Units that a header names: the right one or none, for a wrong prefix is a thousandfold."""

from __future__ import annotations

import pytest

from dripledger.drafting.profile import unit_in_header
from dripledger.schema.units import UNITS


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ("Rate mL/h", "mL/h"), ("Speed mL/h", "mL/h"), ("Rate_mL/h", "mL/h"), ("Rate_mL_h", "mL/h"),
        ("Débit mL/h", "mL/h"), ("Rate mL/hr", "mL/h"), ("Rate [mL/h]", "mL/h"), ("flow_ml_h", "mL/h"),
        ("RateMlH", "mL/h"), ("Rate mL per h", "mL/h"), ("Rate L/h", "L/h"), ("Rate.ml.h", "mL/h"),
        ("Dose µg/kg/min", "ug/kg/min"), ("Dose μg/kg/min", "ug/kg/min"), ("dose_mcg_kg_min", "ug/kg/min"),
        ("Weight kg", "kg"), ("WeightKg", "kg"),
        ("ML/H", "mL/h"), ("mL/h", "mL/h"), ("MCG/KG/MIN", "ug/kg/min"), ("H/L", None), ("h", None),
        ("Rate uL/h", "uL/h"), ("Rate_uL_h", "uL/h"), ("RateuLH", None), ("Dose mIU/h", "m[IU]/h"),
        ("Dose kU/h", "k[IU]/h"), ("Volume m", None), ("Rate", None), ("Time in", None),
    ],
)  # fmt: skip
def test_a_header(header: str, code: str | None) -> None:
    assert unit_in_header(header) == code


@pytest.mark.parametrize("between", [" ", "_", "  ", " - "])
def test_every_unit_of_the_table_is_itself_or_nothing(between: str) -> None:
    wrong = {
        code: found
        for code in UNITS
        if (found := unit_in_header(f"Value{between}{code}")) not in (None, code)
    }
    assert wrong == {}
