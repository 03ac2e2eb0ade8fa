"""The arithmetic of infusions as plain functions; each refuses units that do not fit together.

Formulas are definitions: dose rate = flow rate x concentration / body, volume = rate x time.
"""

from __future__ import annotations

from typing import NamedTuple

from dripledger.errors import DripledgerError
from dripledger.schema.units import UNITS, Unit, convert

_HOUR_S = 3600.0


class Amount(NamedTuple):
    """A value with the UCUM code of its unit."""

    value: float
    unit: str


def _unit(code: str) -> Unit:
    unit = UNITS.get(code)
    if unit is None:
        raise DripledgerError(
            f"{code!r} is no unit that is known here", do="Use a UCUM code such as 'ug/kg/min'"
        )
    return unit


def _dose_rate(code: str) -> Unit:
    unit = _unit(code)
    if unit.per_time_s is None or unit.per_volume_ml is not None:
        raise DripledgerError(f"{code!r} is no dose rate: it has no time in its denominator")
    return unit


def _concentration(code: str) -> Unit:
    unit = _unit(code)
    if unit.per_volume_ml is None:
        raise DripledgerError(f"{code!r} is no concentration: it has no volume in its denominator")
    return unit


def _positive(value: float, name: str) -> float:
    if not value > 0:
        raise DripledgerError(f"{name} must be above 0, and is {value:g}")
    return value


def _body(unit: Unit, weight_kg: float | None, bsa_m2: float | None) -> float:
    if unit.per_kg:
        if weight_kg is None:
            raise DripledgerError(f"{unit.code!r} needs a weight, and there is none")
        return _positive(weight_kg, "the weight in kg")
    if unit.per_m2:
        if bsa_m2 is None:
            raise DripledgerError(f"{unit.code!r} needs a body surface area, and there is none")
        return _positive(bsa_m2, "the body surface area in m2")
    return 1.0


def _same_substance(dose: Unit, strength: Unit) -> None:
    if dose.dimension != strength.dimension:
        raise DripledgerError(
            f"{dose.code!r} and {strength.code!r} measure different things",
            do="Units such as [IU] never become a mass: what one weighs depends on the drug",
        )


def per_body(dose: Amount, *, weight_kg: float | None = None, bsa_m2: float | None = None) -> Amount:
    """Return a dose rate without its body: ``4 ug/kg/min`` at 50 kg is ``200 ug/min``.

    Parameters
    ----------
    dose
        Dose rate with its unit.
    weight_kg, bsa_m2
        Weight and body surface area; needed where the unit asks for them.

    Returns
    -------
    Amount
        The amount per time.
    """
    unit = _dose_rate(dose.unit)
    body = _body(unit, weight_kg, bsa_m2)
    time = unit.code.rsplit("/", 1)[1]
    return Amount(dose.value * body, f"{unit.amount_code}/{time}")


def convert_dose(value: Amount, to: str) -> Amount:
    """Return the value in another unit of the same kind.

    Raises
    ------
    DripledgerError
        If the two measure different things; ``[IU]`` never becomes a mass.
    """
    _unit(value.unit), _unit(to)
    result = convert(value.value, value.unit, to)
    if result is None:
        raise DripledgerError(f"{value.unit!r} cannot become {to!r}: they measure different things")
    return Amount(result, to)


def dose_in(dose: Amount, to: str, *, weight_kg: float | None = None, bsa_m2: float | None = None) -> Amount:
    """Return a dose rate in another unit, for the patient or per body: ``1 mg/h`` at 50 kg is ``20 ug/kg/h``.

    Parameters
    ----------
    dose
        Dose rate with its unit.
    to
        Unit of the result; of the same kind but for the body.
    weight_kg, bsa_m2
        Needed where only one of the two units is per body.

    Raises
    ------
    DripledgerError
        If the two measure different things, or a body is missing or not above 0.
    """
    unit, wanted = _dose_rate(dose.unit), _dose_rate(to)
    _same_substance(unit, wanted)
    if unit.shape == wanted.shape:
        return convert_dose(dose, to)
    whole = dose.value * unit.to_base * _body(unit, weight_kg, bsa_m2)
    return Amount(whole / _body(wanted, weight_kg, bsa_m2) / wanted.to_base, to)


def _plain_amount(code: str) -> Unit:
    unit = _unit(code)
    if unit.per_time_s is not None or unit.per_volume_ml is not None or unit.per_kg or unit.per_m2:
        raise DripledgerError(f"{code!r} is no plain amount")
    return unit


def concentration(amount: Amount, in_volume_ml: float, to: str) -> Amount:
    """Return the concentration of an amount of drug in a volume.

    Parameters
    ----------
    amount
        Amount of drug, such as ``Amount(400, "mg")``.
    in_volume_ml
        Volume that it is dissolved in, mL.
    to
        Unit of the result, such as ``"ug/mL"``.
    """
    unit, wanted = _plain_amount(amount.unit), _concentration(to)
    _same_substance(unit, wanted)
    per_ml = amount.value * unit.factor / _positive(in_volume_ml, "the volume in mL")
    return Amount(per_ml / wanted.to_base, to)


def rate_of_dose(
    dose: Amount,
    strength: Amount | None = None,
    *,
    weight_kg: float | None = None,
    bsa_m2: float | None = None,
) -> float:
    """Return the flow rate that gives a dose rate.

    Parameters
    ----------
    dose
        Dose rate with its unit; one that is a volume (``mL/kg/h``) needs no concentration.
    strength
        Concentration with its unit.
    weight_kg, bsa_m2
        Needed where the dose's unit asks for them.

    Returns
    -------
    float
        Flow rate, mL/h, not rounded.

    Raises
    ------
    DripledgerError
        If a weight or concentration is missing or not above 0, or the units do not fit.
    """
    unit = _dose_rate(dose.unit)
    per_second = dose.value * unit.to_base * _body(unit, weight_kg, bsa_m2)
    if unit.dimension == "volume":
        return per_second * _HOUR_S
    if strength is None:
        raise DripledgerError("the rate of a dose needs a concentration, and there is none")
    wanted = _concentration(strength.unit)
    _same_substance(unit, wanted)
    return per_second / (_positive(strength.value, "the concentration") * wanted.to_base) * _HOUR_S


def dose_of_rate(
    rate: float,
    strength: Amount | None,
    to: str,
    *,
    weight_kg: float | None = None,
    bsa_m2: float | None = None,
) -> Amount:
    """Return the dose rate that a flow rate gives.

    Parameters
    ----------
    rate
        Flow rate, mL/h.
    strength
        Concentration with its unit; a dose that is a volume (``mL/kg/h``) needs none.
    to
        Unit of the result, such as ``"ug/kg/min"``.
    weight_kg, bsa_m2
        Needed where that unit asks for them.
    """
    unit = _dose_rate(to)
    if unit.dimension == "volume":
        return Amount(rate / _HOUR_S / _body(unit, weight_kg, bsa_m2) / unit.to_base, to)
    if strength is None:
        raise DripledgerError("the dose of a rate needs a concentration, and there is none")
    given = _concentration(strength.unit)
    _same_substance(unit, given)
    per_second = rate / _HOUR_S * strength.value * given.to_base
    return Amount(per_second / _body(unit, weight_kg, bsa_m2) / unit.to_base, to)


def amount_of(volume: float, strength: Amount) -> Amount:
    """Return the drug in a volume (mL), in the unit of the concentration's numerator."""
    unit = _concentration(strength.unit)
    return Amount(volume * strength.value / (unit.per_volume_ml or 1.0), unit.amount_code)


def rate_ml_h(volume: float, duration: float) -> float:
    """Return the rate (mL/h) that gives a volume (mL) in a duration (s)."""
    return volume / _positive(duration, "the duration in seconds") * _HOUR_S


def volume_ml(rate: float, duration: float) -> float:
    """Return the volume (mL) that a rate (mL/h) gives in a duration (s)."""
    return rate * duration / _HOUR_S


def duration_s(volume: float, rate: float) -> float:
    """Return the duration (s) in which a rate (mL/h) gives a volume (mL)."""
    return volume / _positive(rate, "the rate in mL/h") * _HOUR_S


class Programme(NamedTuple):
    """Rate, volume and time of one programme: two of them fix the third."""

    rate_ml_h: float
    volume_ml: float
    duration_s: float


def complete(
    *, rate: float | None = None, volume: float | None = None, duration: float | None = None
) -> Programme:
    """Return rate, volume and time where exactly two of them are given.

    Parameters
    ----------
    rate
        Flow rate, mL/h.
    volume
        Volume to infuse, mL.
    duration
        Time, s.

    Raises
    ------
    DripledgerError
        If not exactly two are given, or one that divides is not above 0.
    """
    if rate is None and volume is not None and duration is not None:
        return Programme(rate_ml_h(volume, duration), volume, duration)
    if volume is None and rate is not None and duration is not None:
        return Programme(rate, volume_ml(rate, duration), duration)
    if duration is None and rate is not None and volume is not None:
        return Programme(rate, volume, duration_s(volume, rate))
    raise DripledgerError("rate, volume and time: exactly two of them must be given")


def volume_of_amount(amount: Amount, strength: Amount) -> float:
    """Return the volume (mL) that holds an amount of drug (not per time or body) at a concentration."""
    unit, given = _plain_amount(amount.unit), _concentration(strength.unit)
    _same_substance(unit, given)
    return amount.value * unit.factor / (_positive(strength.value, "the concentration") * given.to_base)


def amount_of_dose(
    dose: Amount,
    duration: float,
    *,
    weight_kg: float | None = None,
    bsa_m2: float | None = None,
) -> Amount:
    """Return the amount that a dose rate gives in a duration (s), in the unit of its numerator."""
    unit = _dose_rate(dose.unit)
    per_second = dose.value * unit.to_base * _body(unit, weight_kg, bsa_m2)
    return Amount(per_second * duration / UNITS[unit.amount_code].factor, unit.amount_code)


def drop_rate_per_min(rate: float, drops_per_ml: float) -> float:
    """Return drops per minute of a rate (mL/h) through a set with so many drops per mL.

    The set's own number is asked for: UCUM's ``[drp]`` fixes 20 drops per mL and fits no other set.
    """
    return rate / 60.0 * _positive(drops_per_ml, "the drops per mL")
