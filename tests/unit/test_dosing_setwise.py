"""Dosing set-wise and one by one: published examples, units that do not fit, and pint as an oracle."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.dosing_samples import by_python, by_sql

from dripledger.dosing import WANTED, Amount, Programme, complete, dose_in, volume_of_amount
from dripledger.errors import DripledgerError
from dripledger.schema.units import UNITS

# Sources and marks of these examples stand in the file itself.
_FILE = Path(__file__).parents[1] / "published" / "infusion_arithmetic.toml"
PUBLISHED: dict[str, list[dict[str, Any]]] = tomllib.loads(_FILE.read_text(encoding="utf-8"))


def test_published_rates_set_wise() -> None:
    """Every published dose gives its published rate, all in one query."""
    asked = [
        {
            "wanted": "flow_rate", "unit": "mL/h", "dose_value": row["dose"][0], "dose_unit": row["dose"][1],
            "weight_kg": row.get("weight_kg"), "concentration_value": row["drug"][0] / row["in_ml"],
            "concentration_unit": f"{row['drug'][1]}/mL",
        }
        for row in PUBLISHED["rate"]
    ]  # fmt: skip
    assert by_sql(asked) == [pytest.approx(row["exact"], rel=1e-12) for row in PUBLISHED["rate"]]


def test_published_flows_and_times_set_wise() -> None:
    flows = [
        {
            "wanted": "flow_rate",
            "unit": "mL/h",
            "volume_ml": row["volume_ml"],
            "duration_s": row["minutes"] * 60,
        }
        for row in PUBLISHED["flow"]
    ]
    assert by_sql(flows) == [pytest.approx(row["exact"], rel=1e-12) for row in PUBLISHED["flow"]]
    times = [
        {"wanted": "duration", "unit": "min", "volume_ml": row["volume_ml"], "rate_ml_h": row["rate_ml_h"]}
        for row in PUBLISHED["time"]
    ]
    assert by_sql(times) == [pytest.approx(row["minutes"], rel=1e-12) for row in PUBLISHED["time"]]


def test_published_concentrations_set_wise() -> None:
    asked = [
        {
            "wanted": "concentration", "unit": row["gives"][1], "amount_value": row["drug"][0],
            "amount_unit": row["drug"][1], "volume_ml": row["in_ml"],
        }
        for row in PUBLISHED["strength"]
    ]  # fmt: skip
    assert by_sql(asked) == [pytest.approx(row["gives"][0], rel=1e-12) for row in PUBLISHED["strength"]]


def test_two_of_rate_volume_and_time_give_the_third() -> None:
    """500 mL at 100 mL/h takes 5 h (common practice, no source): 500 / 100 = 5 h = 18 000 s."""
    whole = Programme(100.0, 500.0, 18_000.0)
    assert complete(volume=500, rate=100) == whole
    assert complete(rate=100, duration=18_000) == whole
    assert complete(volume=500, duration=18_000) == whole
    for wrong in ({}, {"rate": 1.0}, {"rate": 1.0, "volume": 2.0, "duration": 3.0}):
        with pytest.raises(DripledgerError, match="exactly two"):
            complete(**wrong)


def test_a_dose_for_the_patient_and_per_kilogram() -> None:
    """1 mg/h at 50 kg: 1000 ug / 50 = 20 ug/kg/h; and back."""
    assert dose_in(Amount(1, "mg/h"), "ug/kg/h", weight_kg=50) == (pytest.approx(20), "ug/kg/h")
    assert dose_in(Amount(20, "ug/kg/h"), "mg/h", weight_kg=50) == (pytest.approx(1), "mg/h")
    with pytest.raises(DripledgerError, match="needs a weight"):
        dose_in(Amount(1, "mg/h"), "ug/kg/h")
    with pytest.raises(DripledgerError, match="different things"):
        dose_in(Amount(1, "mg/h"), "mL/h")


def test_units_that_do_not_fit_have_no_answer() -> None:
    """[IU] never becomes mass, meq never mmol, and a missing or impossible weight is not made up."""
    units = {"wanted": "dose_rate", "rate_ml_h": 10.0, "concentration_value": 100.0}
    asked = [
        units | {"unit": "mg/h", "concentration_unit": "[IU]/mL"},
        units | {"unit": "mmol/h", "concentration_unit": "meq/mL"},
        units | {"unit": "ug/kg/min", "concentration_unit": "ug/mL"},
        units | {"unit": "ug/kg/min", "concentration_unit": "ug/mL", "weight_kg": 0.0},
        units | {"unit": "ug/kg/min", "concentration_unit": "ug/mL", "weight_kg": 10.0},
        units | {"unit": "no such unit", "concentration_unit": "ug/mL"},
    ]
    # 10 mL/h x 100 ug/mL = 1000 ug/h; / 60 / 10 kg = 1.6667 ug/kg/min
    assert by_sql(asked) == [None, None, None, None, pytest.approx(1000 / 600, rel=1e-12), None]
    with pytest.raises(DripledgerError, match="different things"):
        volume_of_amount(Amount(5, "mg"), Amount(100, "[IU]/mL"))


@pytest.mark.parametrize("unit", ["mg/kg", "mg/h", "mg/m2", "mg/mL"])
def test_no_volume_holds_what_is_no_plain_amount(unit: str) -> None:
    with pytest.raises(DripledgerError, match="no plain amount"):
        volume_of_amount(Amount(1, unit), Amount(1, "mg/mL"))


_PLAIN_AMOUNTS = ["g", "mg", "ug", "ng", "[IU]", "k[IU]", "m[IU]", "mmol", "umol", "meq"]
_STRENGTHS = [f"{head}/{tail}" for head in _PLAIN_AMOUNTS for tail in ("mL", "L")]
_DOSES = [
    f"{head}{body}/{time}"
    for head in [*_PLAIN_AMOUNTS, "mL"]
    for body in ("", "/kg", "/m2")
    for time in ("min", "h", "d")
]
_ANSWERS = {
    "flow_rate": ["mL/h", "mL/min", "L/d"], "dose_rate": _DOSES, "concentration": _STRENGTHS,
    "amount": [*_PLAIN_AMOUNTS, "mL"], "volume": ["mL", "L"], "duration": ["s", "min", "h"],
}  # fmt: skip
_NUMBER = st.floats(1e-3, 1e5, allow_nan=False)


@st.composite
def _questions(draw: st.DrawFn) -> dict[str, Any]:
    """Questions that Python and SQL are asked alike: one way to the answer each."""
    wanted = draw(st.sampled_from(WANTED))
    asked: dict[str, Any] = {"wanted": wanted, "unit": draw(st.sampled_from(_ANSWERS[wanted]))}

    def give(name: str) -> None:
        if name in ("dose", "concentration", "amount"):
            units = {"dose": _DOSES, "concentration": _STRENGTHS, "amount": _PLAIN_AMOUNTS}[name]
            asked[f"{name}_value"], asked[f"{name}_unit"] = draw(_NUMBER), draw(st.sampled_from(units))
        else:
            asked[name] = draw(_NUMBER)

    ways = {
        "flow_rate": [("rate_ml_h",), ("volume_ml", "duration_s"), ("dose", "concentration")],
        "dose_rate": [("dose",), ("rate_ml_h", "concentration")],
        "concentration": [("concentration",), ("amount", "volume_ml")],
        "amount": [("amount",), ("volume_ml", "concentration"), ("rate_ml_h", "duration_s", "concentration"),
                   ("dose", "duration_s")],
        "volume": [("volume_ml",), ("rate_ml_h", "duration_s"), ("amount", "concentration")],
        "duration": [("duration_s",), ("volume_ml", "rate_ml_h")],
    }  # fmt: skip
    for name in draw(st.sampled_from(ways[wanted])):
        give(name)
    for name in ("weight_kg", "bsa_m2"):
        if draw(st.booleans()):
            asked[name] = draw(st.floats(0.5, 200))
    return asked


@settings(max_examples=40, deadline=None)
@given(st.lists(_questions(), min_size=1, max_size=60))
def test_sql_and_python_agree(questions: list[dict[str, Any]]) -> None:
    for question, by_set in zip(questions, by_sql(questions), strict=True):
        alone = by_python(question)
        assert by_set == (None if alone is None else pytest.approx(alone, rel=1e-12)), question


def _registry() -> pint.UnitRegistry[Any]:
    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(cache_folder=None)
    # UCUM's arbitrary unit is a dimension of its own; pint knows it as an amount of something else
    registry.define("ucum_iu = [ucum_arbitrary]")
    registry.define("ucum_eq = [ucum_charge]")
    registry.define("ucum_kcal = 1 * kilocalorie")
    return registry


_PINT = {
    "[IU]": "ucum_iu", "k[IU]": "kiloucum_iu", "m[IU]": "milliucum_iu", "u[IU]": "microucum_iu",
    "10*6.[IU]": "megaucum_iu", "eq": "ucum_eq", "meq": "milliucum_eq", "ueq": "microucum_eq",
    "kg": "kilogram", "[lb_av]": "pound", "wk": "week", "d": "day", "h": "hour", "min": "minute",
    "s": "second", "m2": "meter**2",
}  # fmt: skip


def test_every_factor_is_the_one_that_pint_has() -> None:
    """An independent oracle: pint converts every rate, concentration and amount of the table as we do."""
    registry = _registry()
    checked = 0
    base = {"mass": "g", "arbitrary": "[IU]", "amount": "mmol", "charge": "meq", "volume": "mL"}
    for code, unit in UNITS.items():
        if unit.dimension not in base or code.count("m2") > 1:
            continue
        shape = "/kg" * unit.per_kg + "/m2" * unit.per_m2
        shape += "/mL" if unit.per_volume_ml else "/s" if unit.per_time_s else ""
        ours = 1.0 * unit.to_base
        theirs = _quantity(registry, code).to(_quantity(registry, base[unit.dimension] + shape).units)
        assert ours == pytest.approx(theirs.magnitude, rel=1e-12), code
        checked += 1
    assert checked > 300


def _quantity(registry: pint.UnitRegistry[Any], code: str) -> Any:
    head, *rest = code.split("/")
    found = registry.Quantity(1.0, _PINT.get(head, head))
    for part in rest:
        # the patient's kilogram and the drug's are told apart, or ug/kg would be a plain number
        found = found / registry.Quantity(1.0, "count" if part == "kg" else _PINT.get(part, part))
    return found


def test_pint_agrees_on_a_whole_calculation() -> None:
    """IHE's sample message: 5 ug/kg/min at 82 kg from 1.6 mg/mL; pint gives 15.375 mL/h too."""
    registry = _registry()
    dose, weight = registry.Quantity(5, "ug/kg/min"), registry.Quantity(82, "kg")
    rate = (dose * weight / registry.Quantity(1.6, "mg/mL")).to("mL/h").magnitude
    asked = {"wanted": "flow_rate", "unit": "mL/h", "dose_value": 5.0, "dose_unit": "ug/kg/min",
             "weight_kg": 82.0, "concentration_value": 1.6, "concentration_unit": "mg/mL"}  # fmt: skip
    assert by_sql([asked]) == [pytest.approx(rate, rel=1e-12)] == [pytest.approx(15.375)]
