"""A measure calculated by itself is what it is among all, so that drawn tables may ask for one at a time."""

from __future__ import annotations

from tests.measure_samples import Figures, cells, site, store
from tests.spec.test_measures_two_sources import DRAWN, LOW

from dripledger.measures import MEASURES, calculate
from dripledger.measures.facts import SOURCES

MONTHS = ["2026-09", "2026-10"]
GROUPS = ("care_area",)


def test_a_measure_by_itself_is_what_it_is_among_all() -> None:
    """A cell in which it has no fact stands there only where another measure has one."""
    own = site(**LOW)
    con = store(**DRAWN)
    every = calculate(con, own, None, MONTHS, GROUPS)
    told = set()
    # one of each kind of fact: the others are read from the same relation
    for measure in {SOURCES[one.id].relation: one for one in MEASURES.values() if one.built}.values():
        alone = Figures(con, own, MONTHS, GROUPS)
        for name in measure.rows:
            found, among = alone.rows(name), cells(every, name)
            assert [row for row in found if row not in among] == [], name
            assert all(not row["numerator"] for row in among if row not in found), name
            told |= {(measure.id, row["status"]) for row in found if row["denominator"]}
    assert len(told) > 6
