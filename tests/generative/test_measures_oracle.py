"""Every measure from drawn logs: the product against its plain recomputation, cell by cell."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from tests.generative.drawn_fleet import AREAS, CONTEXTS, drawn, libraries
from tests.generative.oracle_measures import Found, Plain, Row
from tests.marks import LONG
from tests.measure_samples import site, table
from tests.spec.drawn import connection_with

from dripledger.infusions import build
from dripledger.measures import calculate
from dripledger.site import Thresholds

MONTHS = ("2026-09", "2026-10", "2026-11")


def by_product(events: Sequence[Row]) -> Found:
    """Measure with the product."""
    con = connection_with(events, CONTEXTS, Thresholds())
    try:
        build(con)
        for name, rows in (("libraries", libraries()), ("ingests", "| path |\n| a.csv |"), ("ignored", "")):
            con.execute(f"drop view if exists {name}")
            con.register("_given", table(name, rows))
            con.execute(f"create or replace temp table {name} as select * from _given")
            con.unregister("_given")
        own = site(
            zone="Europe/Lisbon", areas=AREAS[:2],
            minimums={"starts": 1, "infusions": 1, "channel_hours": 0.001},
        )  # fmt: skip
        own.settings.care_areas["Workshop"] = own.settings.care_areas[AREAS[0]].model_copy(
            update={"context": "maintenance"}
        )
        found = calculate(con, own, None, MONTHS)
    finally:
        con.close()
    return {
        (r["measure"], r["month"], r["care_area"]): [float(r["numerator"] or 0), float(r["denominator"] or 0)]
        for r in found.to_pylist()
    }


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=LONG)])
def test_every_measure_equals_its_plain_recomputation(seed: int) -> None:
    events = drawn(seed)
    plain, product = Plain(events).all(), by_product(events)
    measures = {measure for measure, _, _ in plain}
    differing = [
        (key, plain.get(key, [0, 0]), product.get(key, [0, 0]))
        for key in sorted({*plain, *(key for key in product if key[0] in measures)})
        if plain.get(key, [0, 0]) != pytest.approx(product.get(key, [0, 0]), abs=1e-5)
    ]
    assert not differing, "\n".join(f"{key}: plain {a}, product {b}" for key, a, b in differing)
    # what was drawn has something to count of each, but that no hard limit is overridden or left every time
    nothing = measures - {measure for (measure, _, _), (hit, _) in plain.items() if hit}
    assert not {measure for measure in nothing if not measure.startswith("outcomes_")}
