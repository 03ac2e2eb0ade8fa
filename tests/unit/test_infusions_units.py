"""Units: spellings become UCUM codes, kinds of quantity never mix, factors are exact."""

from __future__ import annotations

import pytest

from dripledger.engine import connect
from dripledger.schema.units import UNITS, convert, normalise_unit, register_units


@pytest.mark.parametrize(
    ("spelling", "code"),
    [
        ("mcg/kg/min", "ug/kg/min"), ("\u00b5g/kg/min", "ug/kg/min"), ("ug/min/kg", "ug/kg/min"),
        ("units/hour", "[IU]/h"), ("U/hr", "[IU]/h"), ("mEq./hour", "meq/h"), ("grams/hour", "g/h"),
        ("ML/HR", "mL/h"), ("mL/kg/hour", "mL/kg/h"), ("mg.kg-1.h-1", "mg/kg/h"), ("mg per hour", "mg/h"),
        ("lb", "[lb_av]"), ("mg/m2/day", "mg/m2/d"), ("mU/min", "m[IU]/min"), ("cc", "mL"),
    ],
)  # fmt: skip
def test_spellings(spelling: str, code: str) -> None:
    """Common practice, no source."""
    assert normalise_unit(spelling) == code


@pytest.mark.parametrize("text", ["", "dose", "/h", "MU/h", "MIU", "gr", "mg/furlong", "mL/mL/mL/h"])
def test_what_is_not_known_stays_unknown(text: str) -> None:
    """An ambiguous spelling is no unit: MU may be a million units or a thousandth of one."""
    assert normalise_unit(text) is None


@pytest.mark.parametrize("code", sorted(UNITS))
def test_a_code_stands_for_itself(code: str) -> None:
    """Every code of the table is its own normal form."""
    assert normalise_unit(code) == code


def test_kinds_of_quantity_never_mix() -> None:
    """No mass from units, no millimoles from milliequivalents, no plain dose from one per kilogram."""
    assert convert(1.0, "[IU]/h", "mg/h") is None
    assert convert(1.0, "meq", "mmol") is None
    assert convert(1.0, "ug/kg/min", "ug/min") is None
    assert convert(1.0, "mg", "mg/h") is None


def test_factors() -> None:
    """12,000 ug/h is 200 ug/min is 12 mg/h (section 7 of the arithmetic, row 8); a pound is 0.45359237 kg."""
    assert convert(12.0, "mg/h", "ug/min") == pytest.approx(200.0, rel=1e-12)
    assert convert(1.0, "[lb_av]", "kg") == pytest.approx(0.45359237, rel=1e-15)
    assert convert(50_000.0, "[IU]/L", "[IU]/mL") == pytest.approx(50.0, rel=1e-12)


def test_the_relation_holds_every_unit_once() -> None:
    """SQL reads the same table."""
    con = connect(threads=1)
    register_units(con)
    assert con.sql("select count(*), count(distinct code) from units").fetchall() == [
        (len(UNITS), len(UNITS))
    ]
    row = con.sql("select amount_code, per_kg, per_time_s from units where code = 'ug/kg/min'").fetchall()
    assert row == [("ug", True, 60.0)]
    con.close()
