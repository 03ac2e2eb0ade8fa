"""README's outcomes, and its table of what the main measures need, are those of the declarations."""

from __future__ import annotations

import re
from pathlib import Path

from dripledger.drafting.missing import NOT_MEASURABLE
from dripledger.measures import MEASURES
from dripledger.schema import EVENT_KINDS
from dripledger.schema.codes import OUTCOMES
from dripledger.schema.columns import COLUMNS

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
#: What stands in the table beside columns and kinds.
_SETTINGS = {"libraries/", "[alarms]", "sequence_reliable = true"}


def _table(head: str) -> list[list[str]]:
    found = re.search(rf"^\| {head} \|.*\n\|[-| ]+\|\n((?:\|.*\n)+)", README, re.MULTILINE)
    assert found, f"README has no table of {head!r}"
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in found[1].splitlines()]


def _named(cell: str) -> set[str]:
    return set(re.findall(r"`([^`]+)`", cell))


def test_every_outcome_is_explained() -> None:
    assert [_named(row[0]).pop() for row in _table("outcome of an attempt")] == [
        "overridden", "within_limits", "left_library", "unchanged", "cancelled", "unknown",
    ]  # fmt: skip
    assert {_named(row[0]).pop() for row in _table("outcome of an attempt")} == set(OUTCOMES)


def test_the_table_of_needs_names_the_kinds_that_a_measure_declares() -> None:
    for measures, kinds, _ in _table("measure \\| kinds of event"):
        for name in _named(measures):
            assert _named(kinds) == {*MEASURES[name].needs, *MEASURES[name].needs_any}, name


def test_the_table_of_needs_names_fields_that_exist_and_those_without_which_nothing_is_measured() -> None:
    rows = {name: row[2] for row in _table("measure \\| kinds of event") for name in _named(row[0])}
    for fields in rows.values():
        assert _named(fields) - _SETTINGS <= {*COLUMNS, *EVENT_KINDS}
    for column, measures in NOT_MEASURABLE.items():
        assert all(column in _named(rows[name]) for name in measures), column
