"""Hours and minutes in the form for sharing: few infusions behind an amount are as telling as few starts."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from itertools import chain, combinations, product
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from tests.measure_samples import store
from tests.report_samples import OCTOBER, own_site, rendered

from dripledger.measures import ROWS, Amount, prepare, relations_of, tabulate
from dripledger.reports.hours_behind import (
    AMOUNTS,
    HOURS_BEHIND,
    STOPPED,
    Alike,
    HoursBehind,
    read_hours_behind,
)
from dripledger.reports.share import SHARED, hide_small
from dripledger.reports.share_hours import hide_hours

pytest.importorskip("jinja2", reason="the extra [report] is not installed")

#: What an infusion has of each amount where it ran all its hours under an entry, outside, or nobody knows.
INSIDE, OUTSIDE, UNKNOWN = (2, 1, 2, 2, 2, 2, 1), (1, 2, 2, 2, 2, 2, 1), (1, 1, 1, 2, 2, 2, 1)
#: Under an entry first, then outside; under an entry and stopped by an alarm for a while.
BOTH, STOOD = (2, 3, 4, 4, 4, 4, 1), (2, 1, 2, 2, 2, 2, 3)
#: From sources that do not record alarms, or rate changes.
NO_ALARMS, NO_CHANGES = (2, 1, 2, 1, 1, 2, 1), (2, 1, 2, 2, 2, 1, 1)


class Drawn:
    """Infusions of October that ran 25 h each, and what happened to them."""

    def __init__(self) -> None:
        self.tables: dict[str, list[dict[str, Any]]] = {
            name: [] for name in ("infusions", "segments", "alarms", "ingests")
        }
        self.tables["ingests"].append({"path": "a.csv"})

    def ran(
        self, area: str, count: int, *, use: str = "limited", stopped: bool = False, **more: str
    ) -> Drawn:
        for _ in range(count):
            name = f"n{len(self.tables['infusions'])}"
            own = {"infusion_id": name, "library_use": use, "care_area": area, "channel": name, **more}
            begins, ends = "2026-10-05 03:00:00", "2026-10-06 04:00:00"
            self.tables["infusions"].append({**own, "started_at": begins, "ended_at": ends})
            own.pop("source_name", "")
            self.tables["segments"].append({**own, "started_at": begins, "ended_at": ends})
            if stopped:
                halted = {"started_at": ends, "ended_at": "2026-10-06 04:20:00", "state": "stopped_by_alarm"}
                self.tables["segments"].append({**own, **halted})
        return self

    def shared(self, areas: tuple[str, ...]) -> dict[tuple[str, str], dict[str, Any]]:
        """Return the rows of which the form for sharing is made, hidden as it hides them."""
        con, own = store(**self.tables), own_site(areas)
        prepare(con, own, [OCTOBER], {*relations_of(SHARED), HOURS_BEHIND})
        by_area, whole = (
            tabulate(con, own, [OCTOBER], groups, SHARED).to_pylist() for groups in (("care_area",), ())
        )
        rows = chain(*hide_small(by_area, whole, read_hours_behind(con)))
        return {(r["measure"], r["care_area"]): r for r in rows}

    def written(self, areas: tuple[str, ...]) -> dict[tuple[str, str], dict[str, str]]:
        """Return the rows of the table beside the pages."""
        files = rendered(own_site(areas), share=True, **self.tables)
        rows = csv.DictReader(files["measures.csv"].decode().splitlines())
        return {(r["measure"], r["care_area"]): r for r in rows}


def hidden_of(measure: str, rows: Mapping[tuple[str, str], Mapping[str, str]]) -> set[str]:
    return {place for (name, place), r in rows.items() if name == measure and r["status"] == "hidden"}


def test_the_hours_of_the_one_infusion_outside_are_not_a_difference_of_two_figures() -> None:
    drawn = (
        Drawn().ran("icu", 30).ran("icu", 1, use="bypassed").ran("ward", 40).ran("ward", 9, use="bypassed")
    )
    areas = ("icu", "ward", "theatre")
    rows = drawn.ran("theatre", 60).ran("theatre", 12, use="bypassed").written(areas)
    # the others look at the rows that this table is made of
    hidden = {place for place, row in drawn.shared(areas).items() if row["status"] == "hidden"}
    assert {place for place, row in rows.items() if row["status"] == "hidden"} == hidden
    assert hidden_of("library_use_hours", rows) == {"icu", "ward"}
    assert rows["library_use_hours", "icu"]["numerator"] == ""
    assert rows["library_use_hours", "icu"]["denominator"] == ""
    assert rows["library_use_hours", "icu"]["value"] == ""
    assert rows["library_use_hours", ""]["numerator"] != ""
    # many ran there, and nothing stopped
    assert hidden_of("delivery_lost", rows) == set()
    assert rows["delivery_lost", "icu"]["status"] in ("ok", "provisional")


def test_stops_of_two_infusions_are_few_however_long() -> None:
    drawn = Drawn().ran("icu", 30).ran("icu", 2, stopped=True).ran("ward", 40).ran("ward", 9, stopped=True)
    rows = drawn.ran("theatre", 60, stopped=True).shared(("icu", "ward", "theatre"))
    assert hidden_of("delivery_lost", rows) == {"icu", "ward"}
    assert hidden_of("library_use_hours", rows) == set()


def test_hours_of_an_area_where_three_ran_are_hidden_with_one_that_gives_them_back() -> None:
    """All four measures rest on the same hours: what one hides, none of the others may give back."""
    rows = Drawn().ran("icu", 3).ran("ward", 40).ran("theatre", 60).shared(("icu", "ward", "theatre"))
    for measure in ("library_use_hours", "delivery_lost"):
        assert hidden_of(measure, rows) == {"icu", "ward"}, measure
    for measure in ("delivery_alarm_rate", "user_rate_changes"):
        assert hidden_of(measure, rows) == {"icu", "ward"}, measure


def test_two_small_areas_hide_each_other_where_they_are_many_together() -> None:
    rows = Drawn().ran("icu", 3).ran("ward", 4).ran("theatre", 60).shared(("icu", "ward", "theatre"))
    assert hidden_of("delivery_lost", rows) == {"icu", "ward"}


def test_two_small_areas_hide_a_third_where_they_are_few_together() -> None:
    rows = Drawn().ran("icu", 1).ran("ward", 2).ran("theatre", 60).ran("burns", 80)
    found = rows.shared(("icu", "ward", "theatre", "burns"))
    assert hidden_of("delivery_lost", found) == {"icu", "ward", "theatre"}


def test_where_only_two_ran_outside_at_all_the_total_does_not_tell_them() -> None:
    rows = Drawn().ran("icu", 40).ran("icu", 2, use="bypassed").ran("ward", 60).shared(("icu", "ward"))
    assert hidden_of("library_use_hours", rows) == {"icu", ""}


def test_two_infusions_of_unknown_use_are_no_difference_of_two_measures() -> None:
    """They stand in the hours beside lost minutes, and not in those of known library use."""
    drawn = Drawn().ran("icu", 40).ran("icu", 2, use="unknown").ran("ward", 50).ran("ward", 20, use="unknown")
    rows = drawn.shared(("icu", "ward"))
    assert hidden_of("library_use_hours", rows) == {"icu", "ward"}
    assert hidden_of("delivery_lost", rows) == set()


def test_two_infusions_of_a_source_without_alarms_are_no_difference_either() -> None:
    drawn = (
        Drawn()
        .ran("icu", 40)
        .ran("ward", 50)
        .ran("icu", 2, source_name="old")
        .ran("ward", 9, source_name="old")
    )
    drawn.tables["ingests"].append(
        {"path": "b.csv", "ingest_id": "2", "source_name": "old", "records_json": '["infusion_started"]'}
    )
    rows = drawn.shared(("icu", "ward"))
    assert hidden_of("library_use_hours", rows) == {"icu", "ward"}
    assert rows["library_use_hours", ""]["status"] != "hidden"
    for measure in ("delivery_alarm_rate", "delivery_lost", "user_rate_changes"):
        assert hidden_of(measure, rows) == set(), measure


def test_an_area_of_hundreds_keeps_what_it_has() -> None:
    drawn = Drawn()
    for area, many in (("icu", 120), ("ward", 200), ("theatre", 150)):
        drawn.ran(area, many).ran(area, many // 10, use="bypassed").ran(area, many // 10, stopped=True)
    drawn.ran("theatre", 2, use="unknown")
    rows = drawn.shared(("icu", "ward", "theatre"))
    hours = {key for key, r in rows.items() if key[0] in AMOUNTS and r["status"] == "hidden"}
    # one of two measures goes in the area with two of unknown use, and in the smallest other one
    assert {name for name, _ in hours} <= {"library_use_hours"}
    assert hours <= {
        ("library_use_hours", "theatre"),
        ("library_use_hours", "icu"),
        ("library_use_hours", ""),
    }


def test_what_stands_behind_hours_is_read_from_the_relations() -> None:
    drawn = (
        Drawn()
        .ran("icu", 3)
        .ran("icu", 2, use="bypassed")
        .ran("ward", 1, stopped=True)
        .ran("ward", 1, use="unknown")
    )
    moved = drawn.tables["segments"][0]
    drawn.tables["segments"].append(
        {
            **moved,
            "care_area": "ward",
            "library_use": "bypassed",
            "started_at": moved["ended_at"],
            "ended_at": "2026-10-07 03:00:00",
        }
    )
    con = store(**drawn.tables)
    prepare(con, own_site(("icu", "ward")), [OCTOBER])
    behind = read_hours_behind(con)["2026-10"]
    under, outside, known, alarms, lost, _, stopped = range(7)
    assert behind.areas == ("icu", "ward")
    assert [behind.count(amount, ["icu"]) for amount in (under, outside, known, lost)] == [3, 2, 5, 5]
    assert [behind.count(amount, ["ward"]) for amount in (under, outside, known, lost, stopped)] == [
        1,
        1,
        2,
        3,
        1,
    ]
    # one ran in both
    assert behind.count(known, ["icu", "ward"]) == 6
    assert behind.count(lost, ["ward"], known) == 1
    assert behind.count(alarms, ["icu", "ward"], lost) == 0


def test_a_month_of_which_nobody_knows_what_stands_behind_it_shows_no_hours() -> None:
    by_area, whole = hide_small([_row("delivery_lost", "icu")], [_row("delivery_lost", "")], {})
    assert {r["status"] for r in (*by_area, *whole)} == {"hidden"}


def test_every_shared_measure_in_hours_is_looked_at() -> None:
    in_hours = {n for n in SHARED if Amount.COUNT not in (ROWS[n][0].counted, ROWS[n][0].over)}
    in_hours |= {n for n in SHARED if ROWS[n][0].over is Amount.HOURS}
    assert in_hours == set(AMOUNTS)


def _row(measure: str, area: str) -> dict[str, Any]:
    return {
        "measure": measure, "month": "2026-10", "care_area": area, "numerator": 7, "denominator": 9,
        "value": 0.5, "low95": 0.0, "high95": 1.0, "status": "ok", "reason": "",
    }  # fmt: skip


AREAS = ("icu", "ward", "theatre", "burns")
KINDS = (INSIDE, OUTSIDE, UNKNOWN, BOTH, STOOD, NO_ALARMS, NO_CHANGES)


def worked_out(lines: list[tuple[Alike, int]], taken: set[tuple[str, str]], together: int) -> list[str]:
    """Share a month, and return amounts of few infusions that follow from what so many measures show.

    The reader adds and subtracts whatever these show, in any number of steps: what he gets lies in the space
    that it spans. Looked for are amounts of any care areas together, and what two amounts differ by.
    """
    rows = {(name, place): _row(name, place) for name in AMOUNTS for place in (*AREAS, "")}
    hidden = hide_hours(HoursBehind(lines), rows, taken)
    assert taken <= hidden
    # an unknown number of hours for each thing that somebody can have in an area
    cells = [(n, area, one) for n, (have, _) in enumerate(lines) for area in have for one in (2, 3)]
    at = {cell: place for place, cell in enumerate(cells)}

    def vector(amount: int, where: Iterable[str]) -> np.ndarray:
        made = np.zeros(len(cells))
        for n, (have, _) in enumerate(lines):
            for area in set(where) & set(have):
                # what was inside first and then outside is both
                for one in {1: (), 4: (2, 3)}.get(have[area][amount], (have[area][amount],)):
                    made[at[n, area, one]] = 1
        return made

    subsets = [some for size in range(1, len(AREAS) + 1) for some in combinations(AREAS, size)]
    told = {(a, some): vector(a, some) for a in chain(*AMOUNTS.values()) for some in subsets}
    found = []
    for measures in combinations(AMOUNTS, together):
        known = [
            told[amount, (place,) if place else AREAS]
            for (name, place) in rows
            if name in measures and (name, place) not in hidden
            for amount in AMOUNTS[name]
        ]
        base = _base(known, len(cells))
        asked = {f"{a} of {some}": told[a, some] for n in measures for a in AMOUNTS[n] for some in subsets}
        for one, two in combinations(measures, 2):
            for a, b in product(AMOUNTS[one], AMOUNTS[two]):
                if STOPPED not in (a, b):
                    for some, less in product(subsets, subsets):
                        asked[f"{a} of {some} less {b} of {less}"] = told[a, some] - told[b, less]
        words, wanted = list(asked), np.array(list(asked.values()))
        follows = np.abs(wanted - wanted @ base.T @ base).max(axis=1, initial=0) < 1e-6
        sizes = _infusions(wanted, cells, lines)
        few = np.flatnonzero(follows & (sizes >= 1) & (sizes <= 4))
        found += [f"{words[k]}: {sizes[k]}, from {measures}" for k in few[:3]]
    return found


def _base(known: list[np.ndarray], size: int) -> np.ndarray:
    _, sizes, base = np.linalg.svd(np.array(known or [np.zeros(size)]), full_matrices=False)
    return base[: int((sizes > 1e-9).sum())]


def _infusions(wanted: np.ndarray, cells: list[Any], lines: list[tuple[Alike, int]]) -> np.ndarray:
    """Count the infusions that stand in each vector: those of a line are alike."""
    found = np.zeros(len(wanted), int)
    for n, (_, infusions) in enumerate(lines):
        mine = [place for place, cell in enumerate(cells) if cell[0] == n]
        found += infusions * (np.abs(wanted[:, mine]) > 0).any(axis=1)
    return found


def months() -> st.SearchStrategy[list[tuple[Alike, int]]]:
    """Draw how many there are of some kinds in each care area, and some that ran in two."""
    numbers = st.sampled_from((0, 0, 1, 2, 4, 5, 9, 30, 70))
    alone = st.sets(st.sampled_from(KINDS), min_size=1, max_size=4).flatmap(
        lambda kinds: st.fixed_dictionaries(
            {(area, kind): numbers for area in AREAS for kind in sorted(kinds)}
        ).map(lambda drawn: [({area: kind}, n) for (area, kind), n in drawn.items() if n])
    )
    pairs = st.lists(
        st.tuples(
            st.sampled_from(list(combinations(AREAS, 2))),
            st.sampled_from((INSIDE, OUTSIDE)),
            st.sampled_from((1, 3, 6)),
        ),
        max_size=2,
        unique_by=lambda p: p[:2],
    )
    both = pairs.map(lambda drawn: [({one: kind, two: kind}, n) for (one, two), kind, n in drawn])
    return st.tuples(alone, both).map(lambda found: list(chain(*found)))


def taken() -> st.SearchStrategy[set[tuple[str, str]]]:
    """Draw what was hidden before, for few alarms or few changes: two care areas, or one and the total."""
    of = st.sampled_from(("delivery_alarm_rate", "user_rate_changes"))
    return st.sets(st.sampled_from(range(5)), min_size=0, max_size=3).flatmap(
        lambda which: of.map(
            lambda name: {(name, (*AREAS, "")[k]) for k in which} if len(which) > 1 else set()
        )
    )


@settings(max_examples=150, deadline=None)
@given(months(), taken())
def test_no_few_infusions_follow_within_one_measure(
    lines: list[tuple[Alike, int]], before: set[tuple[str, str]]
) -> None:
    assert worked_out(lines, before, 1) == []


@settings(max_examples=100, deadline=None)
@given(months(), taken())
@example([({"theatre": BOTH}, 1), ({"burns": UNKNOWN}, 4), ({"burns": BOTH}, 4)], set())
@example([({"burns": OUTSIDE}, 5), ({"icu": INSIDE, "ward": INSIDE}, 3)], set())
def test_no_few_infusions_follow_from_two_measures(
    lines: list[tuple[Alike, int]], before: set[tuple[str, str]]
) -> None:
    assert worked_out(lines, before, 2) == []
