"""Questions of dosing for both forms of the arithmetic: set-wise in SQL, and one by one in Python."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pyarrow as pa

from dripledger import dosing
from dripledger.dosing import ASKED, Amount
from dripledger.engine import build_relations, connect
from dripledger.errors import DripledgerError
from dripledger.schema.units import register_units

Question = dict[str, Any]


def by_sql(questions: Sequence[Question]) -> list[float | None]:
    """Answer all questions with the product's query."""
    rows = [{"asked_id": number} | question for number, question in enumerate(questions)]
    con = connect(threads=1)
    try:
        con.register("dosing_asked", pa.Table.from_pylist(rows, schema=ASKED))
        register_units(con)
        build_relations(con, "dosing")
        found = dict(con.execute("select asked_id, value from dosing_results").fetchall())
    finally:
        con.close()
    return [found.get(number) for number in range(len(questions))]


def _told(question: Question, name: str) -> Amount | None:
    value, unit = question.get(f"{name}_value"), question.get(f"{name}_unit")
    return None if value is None or unit is None else Amount(value, unit)


def by_python(question: Question) -> float | None:
    """Answer one question with the functions of `dosing`; None where they refuse."""
    try:
        return _answer(question)
    except DripledgerError:
        return None


def _answer(q: Question) -> float | None:
    body = {name: q.get(name) for name in ("weight_kg", "bsa_m2")}
    dose, strength, amount = _told(q, "dose"), _told(q, "concentration"), _told(q, "amount")
    rate, volume, duration, unit = q.get("rate_ml_h"), q.get("volume_ml"), q.get("duration_s"), q["unit"]
    if q["wanted"] == "flow_rate":
        if rate is None and volume is not None and duration is not None:
            rate = dosing.rate_ml_h(volume, duration)
        if rate is None:
            assert dose is not None
            rate = dosing.rate_of_dose(dose, strength, **body)
        return dosing.convert_dose(Amount(rate, "mL/h"), unit).value
    if q["wanted"] == "dose_rate":
        if dose is not None:
            return dosing.dose_in(dose, unit, **body).value
        assert rate is not None
        return dosing.dose_of_rate(rate, strength, unit, **body).value
    if q["wanted"] == "concentration":
        if strength is not None:
            return dosing.convert_dose(strength, unit).value
        assert amount is not None
        return dosing.concentration(amount, volume, unit).value
    if q["wanted"] == "amount":
        if amount is None and strength is not None:
            amount = dosing.amount_of(
                dosing.volume_ml(rate, duration) if volume is None else volume, strength
            )
        elif amount is None:
            assert dose is not None
            amount = dosing.amount_of_dose(dose, duration, **body)
        return dosing.convert_dose(amount, unit).value
    if q["wanted"] == "volume":
        if volume is None and rate is None:
            assert amount is not None
            assert strength is not None
            volume = dosing.volume_of_amount(amount, strength)
        elif volume is None:
            volume = dosing.complete(rate=rate, duration=duration).volume_ml
        return dosing.convert_dose(Amount(volume, "mL"), unit).value
    if duration is None:
        duration = dosing.complete(rate=rate, volume=volume).duration_s
    return dosing.convert_dose(Amount(duration, "s"), unit).value
