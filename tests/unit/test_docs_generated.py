"""What README says of columns and measures is made from their declarations, and nothing is left out."""

from __future__ import annotations

import re

import pytest
from tests.unit import generated_docs

from dripledger.measures import MEASURES
from dripledger.schema import TABLES
from dripledger.store import COMMITS


@pytest.mark.parametrize("name", sorted(generated_docs.PARTS))
def test_part_is_the_declared_one(name: str) -> None:
    made = generated_docs.PARTS[name]()
    assert generated_docs.told(name) == made, "make it anew: python -m tests.unit.generated_docs --write"


def test_every_column_of_every_table_has_a_meaning() -> None:
    told = dict(re.findall(r"^\| `(\w+)` \| [^|]+ \| (.+) \|$", generated_docs.told("columns"), re.MULTILINE))
    for table in [*TABLES.values(), COMMITS]:
        for name in table.names:
            assert len(told[name]) > 3, name


def test_every_measure_has_its_definition() -> None:
    told = re.findall(r"^- \*\*`(\w+)`\*\*", generated_docs.told("definitions"), re.MULTILINE)
    assert told == list(MEASURES)
