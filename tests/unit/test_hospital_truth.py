"""The demo's truth: its parts agree with each other, and damage shows exactly where it was planted."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from dripledger.hospital import Hospital, build, load_scenario
from dripledger.hospital import records as r
from dripledger.hospital.fleet import FAMILIES
from dripledger.hospital.truth import (
    Tally,
    Truth,
    add_found,
    add_happened,
    area_as_read,
    readable_records,
    tell,
    walk_all,
    write_rows,
)


@pytest.fixture(scope="module")
def hospital() -> Hospital:
    return build(load_scenario().scaled(pumps=12, months=3, seed=4))


def of_c(hospital: Hospital) -> np.ndarray:
    """Sessions of the pumps that send device messages."""
    fleet = hospital.world.fleet
    return fleet.family[hospital.world.sessions.pump] == FAMILIES.index("C")


def interrupted(hospital: Hospital) -> np.ndarray:
    """Sessions in which a second line interrupts the first: the plain walk knows one line a channel."""
    inf = hospital.world.infusions
    out = np.zeros(len(hospital.world.sessions.pump), np.bool_)
    out[inf.session[inf.secondary]] = True
    return out


@pytest.fixture(scope="module")
def truth(hospital: Hospital) -> Truth:
    return tell(hospital.world, hospital.plan, hospital.log, hospital.damage, hospital.happenings)


def test_walking_through_every_log_gives_the_same_as_knowing_what_happened(
    hospital: Hospital, truth: Truth
) -> None:
    """Two ways to the same figures: the infusions as drawn, and their records read back one at a time."""
    world = hospital.world
    seen = readable_records(world, hospital.log, hospital.damage)
    everyone = (world.sessions.pump != world.fleet.silent) & ~of_c(hospital) & ~interrupted(hospital)
    walked, known = Tally(world), Tally(world)
    found = walk_all(world, hospital.log, seen, everyone, hospital.happenings).found
    add_found(world, hospital.plan, walked, found)
    # device messages and second lines are known without a walk
    add_happened(world, hospital.plan, known, of_c(hospital), area_as_read(world))
    silent = world.sessions.pump == world.fleet.silent
    add_happened(world, hospital.plan, known, interrupted(hospital) & ~of_c(hospital) & ~silent)
    walked.add(known)
    np.testing.assert_array_equal(walked.starts, truth.recoverable.starts)
    np.testing.assert_array_equal(walked.microseconds, truth.recoverable.microseconds)


def test_what_happened_adds_up_to_the_infusions_as_drawn(hospital: Hospital, truth: Truth) -> None:
    world, inf = hospital.world, hospital.world.infusions
    clinical = ~hospital.plan.maintenance[inf.session]
    real = (inf.run_s + inf.second_s >= 30) & clinical & (inf.start < world.log_end)
    assert truth.happened.starts[:, :, 0].sum() == real.sum()
    assert truth.happened.starts[:, :, 1].sum() == (real & (inf.entry >= 0)).sum()
    over = clinical & (inf.start + inf.length <= world.log_end)
    within = truth.happened.microseconds[:, :, 0].sum() / 1e6
    assert (inf.run_s + inf.second_s)[over].sum() <= within
    assert within <= (inf.run_s + inf.second_s)[clinical].sum()


def test_every_part_is_no_more_than_its_whole(truth: Truth) -> None:
    for tally in (truth.happened, truth.recoverable):
        known, under, protected, told = np.moveaxis(tally.starts, 2, 0)
        assert (under <= known).all()
        assert (protected <= under).all()
        assert (told <= known).all()
        assert (tally.microseconds[:, :, 1] <= tally.microseconds[:, :, 0]).all()


def test_without_damage_both_truths_are_the_same(hospital: Hospital) -> None:
    """Sessions with no planted fault, no unclear hour and an end: what happened is what their logs show."""
    world, plan = hospital.world, hospital.plan
    seen = readable_records(world, hospital.log, hospital.damage)
    touched = np.zeros(len(world.sessions.pump), np.bool_)
    touched[sorted(plan.touched)] = True
    touched[hospital.log.session[seen.rows[seen.ambiguous]]] = True
    touched |= (world.sessions.pump == world.fleet.silent) | (world.sessions.end >= world.log_end)
    touched |= of_c(hospital) | interrupted(hospital)
    walked = walk_all(world, hospital.log, seen, ~touched, hospital.happenings)
    found = [f for f in walked.found if not plan.maintenance[f.session]]
    inf = world.infusions
    rows = np.flatnonzero(~touched[inf.session] & ~plan.maintenance[inf.session])
    assert sorted((f.at, f.running_us // 1_000_000, f.use) for f in found) == sorted(
        zip(
            inf.start[rows].tolist(),
            (inf.run_s + inf.second_s)[rows].tolist(),
            inf.use[rows].tolist(),
            strict=True,
        )
    )


def test_damage_shows_where_it_was_planted(hospital: Hospital, truth: Truth) -> None:
    world = hospital.world
    calendar, names = world.calendar, truth.happened.names
    for item in ("forgotten_stop", "missing_stretch_unbridged", "truncated_file", "unreadable_stop"):
        for plant in (p for p in hospital.plan.plants if p.item == item):
            month = int(calendar.month_index(np.array([plant.start]))[0])
            area = int(world.sessions.area[plant.session])
            lost = (
                truth.happened.microseconds[month, area, 0] - truth.recoverable.microseconds[month, area, 0]
            )
            assert lost > 0, (item, names[area])
    unmapped = names.index("unmapped")
    assert truth.happened.starts[:, unmapped].sum() == 0
    assert truth.recoverable.starts[:, unmapped, 0].sum() == 2


def test_a_forgotten_stop_leaves_the_hours_up_to_the_last_proof(hospital: Hospital) -> None:
    world, log = hospital.world, hospital.log
    seen = readable_records(world, log, hospital.damage)
    for plant in (p for p in hospital.plan.plants if p.item == "forgotten_stop"):
        mine = np.flatnonzero(log.session == plant.session)
        assert log.kind[mine[-1]] == r.RATE  # no stop and no switch-off were written
        assert log.kind[mine[-1] + 1] == r.ON
        assert log.sequence[mine[-1] + 1] == log.sequence[mine[-1]] + 1
        only = np.zeros(len(world.sessions.pump), np.bool_)
        only[plant.session : plant.session + 2] = True
        walked = walk_all(world, log, seen, only, hospital.happenings)
        found = [f for f in walked.found if f.at == plant.start]
        assert [f.running_us // 1_000_000 for f in found] == [log.at[mine[-1]] - plant.start]
        assert found[0].uncertain


def test_the_unclear_autumn_start_is_read_an_hour_early(hospital: Hospital) -> None:
    world, log = hospital.world, hospital.log
    seen = readable_records(world, log, hospital.damage)
    session = world.pinned["autumn_hour_unclear"]
    first = np.flatnonzero((log.session[seen.rows] == session) & (log.kind[seen.rows] == r.START))[0]
    assert seen.ambiguous[first]
    assert log.at[seen.rows[first]] - seen.at[first] == 3600
    clear = log.session[seen.rows] == world.pinned["autumn_hour"]
    assert not seen.ambiguous[clear].any()
    assert (log.at[seen.rows[clear]] == seen.at[clear]).all()


def test_the_workshop_counts_nowhere(hospital: Hospital, truth: Truth) -> None:
    workshop = truth.happened.names.index("Lintel Workshop")
    assert hospital.plan.maintenance.sum() > 3
    for tally in (truth.happened, truth.recoverable):
        assert tally.starts[:, workshop].sum() == 0
        assert tally.microseconds[:, workshop].sum() == 0


def test_coverage_and_completeness_tell_the_silent_pump_and_the_lost_numbers(truth: Truth) -> None:
    rows = {(row[0], row[1], row[2]): (int(row[3]), int(row[4])) for row in truth.fleet}
    for month in ("2026-08", "2026-09", "2026-10"):
        assert rows["fleet_coverage", month, "happened"] == (12, 12)
        assert rows["fleet_coverage", month, "recoverable"] == (11, 12)
    missing = sum(
        rows[k][1] - rows[k][0] for k in rows if k[0] == "log_completeness" and k[2] == "recoverable"
    )
    planted = load_scenario().planted
    # gaps lose two numbers each or more, as the cut line does; of a record without its pump, or garbled, the
    # number cannot be read
    assert missing >= 2 * planted.bridged_gaps + 2 * planted.unbridged_gaps + 3 * planted.unreadable_each + 2


def test_bypasses_drift_up_in_one_area() -> None:
    world = build(load_scenario()).world
    s, inf = world.sessions, world.infusions
    drifting = next(i for i, a in enumerate(world.scenario.care_area) if a.drift > 0)
    month = world.calendar.month_index(inf.start)
    share = []
    for begin, end in ((0, 4), (10, 14)):
        mine = (s.area[inf.session] == drifting) & (month >= begin) & (month < end)
        share.append((inf.entry[mine] < 0).mean())
    assert share[1] > share[0] + 0.1


def test_the_long_form_names_every_month_and_area_once(
    hospital: Hospital, truth: Truth, tmp_path: Path
) -> None:
    write_rows(
        tmp_path / "t.csv", ("measure", "month", "care_area", "n", "d", "n_us", "d_us"), truth.happened.rows()
    )
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    keys = [(row["measure"], row["month"], row["care_area"]) for row in rows]
    assert len(keys) == len(set(keys)) == 3 * 4 * 13
    hours = [row for row in rows if row["measure"] == "library_use_hours"]
    assert all(float(row["d"]) == int(row["d_us"]) / 3.6e9 for row in hours)
