"""Published worked examples of infusion arithmetic; the TOML file names their sources and marks."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from dripledger.dosing import (
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
from dripledger.errors import DripledgerError

EXAMPLES = tomllib.loads(Path(__file__).with_name("infusion_arithmetic.toml").read_text(encoding="utf-8"))
Example = dict[str, Any]


def examples(kind: str) -> Any:
    """The examples of one kind as pytest parameters named by number and source."""
    return pytest.mark.parametrize(
        "example", [pytest.param(e, id=f"{e['number']}-{e['source']}") for e in EXAMPLES[kind]]
    )


def test_every_example_names_a_source_and_a_mark() -> None:
    for kind, rows in EXAMPLES.items():
        if kind != "sources":
            assert all(
                row["source"] in EXAMPLES["sources"] and row["mark"] in {"V1", "V2", "C"} for row in rows
            )


@examples("rate")
def test_the_rate_of_a_dose(example: Example) -> None:
    strength = concentration(Amount(*example["drug"]), example["in_ml"], example["strength_unit"])
    rate = rate_of_dose(Amount(*example["dose"]), strength, weight_kg=example.get("weight_kg"))
    assert rate == pytest.approx(example["exact"], rel=1e-12)
    if "printed" in example:
        assert abs(rate - example["printed"]) <= 0.5 * 10.0 ** -example["digits"]
    dose, unit = example["dose"]
    back = dose_of_rate(rate, strength, unit, weight_kg=example.get("weight_kg"))
    assert back == (pytest.approx(dose, rel=1e-12), unit)


@examples("dose")
def test_the_dose_of_a_rate(example: Example) -> None:
    for value, unit in example["gives"]:
        dose = dose_of_rate(example["rate_ml_h"], Amount(*example["strength"]), unit)
        assert dose == (pytest.approx(value, rel=1e-12), unit)


@examples("body")
def test_a_dose_per_kilogram(example: Example) -> None:
    plain = per_body(Amount(*example["dose"]), weight_kg=example["weight_kg"])
    for value, unit in example["gives"]:
        assert convert_dose(plain, unit) == (pytest.approx(value, rel=1e-12), unit)


@examples("strength")
def test_the_concentration_of_a_drug_in_a_volume(example: Example) -> None:
    value, unit = example["gives"]
    assert concentration(Amount(*example["drug"]), example["in_ml"], unit) == (pytest.approx(value), unit)


@examples("flow")
def test_the_rate_of_volume_and_time(example: Example) -> None:
    rate = rate_ml_h(example["volume_ml"], example["minutes"] * 60)
    assert rate == pytest.approx(example["exact"], rel=1e-12)
    assert round(rate) == example["printed"]
    assert volume_ml(rate, example["minutes"] * 60) == pytest.approx(example["volume_ml"], rel=1e-12)


@examples("time")
def test_the_time_of_volume_and_rate(example: Example) -> None:
    minutes = duration_s(example["volume_ml"], example["rate_ml_h"]) / 60
    assert minutes == pytest.approx(example["minutes"], rel=1e-12)
    if "misprinted_minutes" in example:
        assert abs(minutes - example["misprinted_minutes"]) > 1.9


@examples("drops")
def test_drops_a_minute(example: Example) -> None:
    rate = rate_ml_h(example["volume_ml"], example["minutes"] * 60)
    assert round(drop_rate_per_min(rate, example["drops_per_ml"])) == example["printed"]


@pytest.mark.parametrize("mass", ["mg/h", "g/h", "ug/kg/min", "meq/h", "mmol/h"])
def test_units_never_become_a_mass(mass: str) -> None:
    """UCUM: [IU] is an arbitrary unit; what one weighs depends on the drug."""
    with pytest.raises(DripledgerError):
        convert_dose(Amount(1000, "[IU]/h"), mass)
    with pytest.raises(DripledgerError, match="different things"):
        rate_of_dose(Amount(1000, "[IU]/h"), Amount(5, "mg/mL"))
    with pytest.raises(DripledgerError, match="different things"):
        dose_of_rate(10, Amount(100, "[IU]/mL"), mass, weight_kg=70)


def test_what_is_missing_is_asked_for() -> None:
    with pytest.raises(DripledgerError, match="needs a weight"):
        rate_of_dose(Amount(5, "ug/kg/min"), Amount(1.6, "mg/mL"))
    with pytest.raises(DripledgerError, match="above 0"):
        rate_of_dose(Amount(5, "ug/kg/min"), Amount(1.6, "mg/mL"), weight_kg=0)
    with pytest.raises(DripledgerError, match="needs a concentration"):
        rate_of_dose(Amount(5, "ug/min"))
    with pytest.raises(DripledgerError, match="above 0"):
        duration_s(100, 0)
    with pytest.raises(DripledgerError, match="no dose rate"):
        rate_of_dose(Amount(5, "mg"), Amount(1, "mg/mL"))


def test_a_dose_that_is_a_volume_needs_no_concentration() -> None:
    """2 mL/kg/h at 10 kg is 20 mL/h, by definition."""
    assert rate_of_dose(Amount(2, "mL/kg/h"), weight_kg=10) == pytest.approx(20)


def test_the_amount_in_a_volume() -> None:
    """10 mL of 50,000 units per litre hold 500 units, by definition."""
    assert amount_of(10, Amount(50000, "[IU]/L")) == (pytest.approx(500), "[IU]")
