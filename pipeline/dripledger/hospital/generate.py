"""From a scenario and a seed to a whole site folder with its truth."""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import chain
from pathlib import Path

import numpy as np

from dripledger.errors import UsageError
from dripledger.hospital import family_a, family_b, family_c
from dripledger.hospital import records as r
from dripledger.hospital.calendar import Calendar, Flags, month_after
from dripledger.hospital.detail import ALARM_COLUMNS, ATTEMPT_COLUMNS, alarm_rows, attempt_rows
from dripledger.hospital.fleet import build_fleet
from dripledger.hospital.folder import write_folder
from dripledger.hospital.happenings import Happenings, happen
from dripledger.hospital.listing import planted_rows
from dripledger.hospital.plants import Chooser, Damage, Plan, damage_records, plan_places, plant_in_world
from dripledger.hospital.scenario import Scenario, load_scenario
from dripledger.hospital.sessions import simulate
from dripledger.hospital.truth import Truth, tell, write_rows
from dripledger.hospital.world import World
from dripledger.hospital.writing import FileTruth

#: Who writes which dialect.
WRITERS = (family_a.write, family_b.write, family_c.write)


@dataclass
class Hospital:
    """Everything that was generated, before it is written."""

    world: World
    plan: Plan
    log: r.Records
    damage: Damage
    happenings: Happenings


def build(scenario: Scenario, form: str | None = None) -> Hospital:
    """Let the hospital run and be damaged, in memory.

    Parameters
    ----------
    scenario
        What is played.
    form
        How every pump writes its limit alerts, one of `attempts.FORMS`; None: a third of them each way.
    """
    seeds = np.random.SeedSequence(scenario.seed).spawn(5)
    streams = [np.random.Generator(np.random.PCG64(seed)) for seed in seeds]
    months = scenario.window.months
    first = month_after(scenario.window.last_month, 1 - months)
    calendar = Calendar(scenario.time_zone, first, months + 1)
    fleet = build_fleet(scenario, calendar, streams[0])
    world = simulate(scenario, calendar, fleet, streams[1])
    world.form = form
    plan = plan_places(world)
    happenings = happen(world, plan.maintenance, streams[4])
    choose = Chooser(world, plan, happenings, streams[2])
    plant_in_world(world, plan, choose, happenings.limits)
    gathered = r.gather(world)
    r.gather_happenings(happenings, world.infusions, gathered)
    _add_extra(world, plan, gathered)
    everything = gathered.sorted()
    log = r.log(world, everything, _unlogged(world, plan, everything), streams[3])
    damage = damage_records(world, plan, log, choose)
    return Hospital(world, plan, log, damage, happenings)


def _add_extra(world: World, plan: Plan, gathered: r.Gatherer) -> None:
    """Add planted records: unknown kinds on a channel, and patients who come while a pump runs."""
    for infusion, seconds, kind in plan.extra:
        row = np.array([infusion])
        if kind == r.PATIENT:
            session = world.infusions.session[row]
            newcomer = world.sessions.patient.max() + 1 + session
            gathered.of_sessions(
                session, world.infusions.start[row] + seconds, r.PATIENT, 2, patient=newcomer
            )
        else:
            gathered.of_infusions(row, np.array([seconds]), kind, 36)


def _unlogged(world: World, plan: Plan, records: r.Records) -> Flags:
    """Return which records were never written."""
    out = ~family_c.spoken(world, records)
    for where, kind in plan.unlogged:
        mine: Flags = records.session == -1 - where if where < 0 else records.infusion == where
        out |= mine & (records.kind == kind)
    return out


def generate(
    root: Path,
    pumps: int | None = None,
    months: int | None = None,
    seed: int | None = None,
    form: str | None = None,
) -> None:
    """Write the invented hospital as a site folder: settings, mappings, libraries, lists, inbox and truth.

    Parameters
    ----------
    root
        The folder; made if it does not exist. Its inbox must hold no exports yet.
    pumps, months, seed
        Number of pumps, number of whole months (the last one stays the scenario's), seed of the generator;
        None: the scenario's own.
    form
        How every pump writes its limit alerts, one of `attempts.FORMS`; None: a third of them each way.

    Raises
    ------
    UsageError
        If pumps or months are too few for what is planted, or the inbox holds something already.
    """
    inbox = root / "inbox"
    if inbox.is_dir() and any(inbox.iterdir()):
        raise UsageError("holds exports already", where=inbox, do="Name a folder that does not exist yet")
    scenario = load_scenario().scaled(pumps, months, seed)
    hospital = build(scenario, form)
    world, plan, log, damage = hospital.world, hospital.plan, hospital.log, hospital.damage
    write_folder(world, plan, root)
    files: list[FileTruth] = []
    for writer in WRITERS:
        files += writer(world, plan, log, damage, hospital.happenings, inbox)
    truth = tell(world, plan, log, damage, hospital.happenings)
    write_truth(hospital, truth, files, root / "truth")


def write_truth(hospital: Hospital, truth: Truth, files: list[FileTruth], folder: Path) -> None:
    """Write the truth's tables."""
    header = ("measure", "month", "care_area", "numerator", "denominator", "numerator_us", "denominator_us")
    months = hospital.world.calendar.months
    write_rows(folder / "happened.csv", header,
               chain(truth.happened.rows(), truth.warnings_happened.rows(months)))  # fmt: skip
    write_rows(folder / "recoverable.csv", header,
               chain(truth.recoverable.rows(), truth.warnings_recoverable.rows(months)))  # fmt: skip
    write_rows(folder / "fleet.csv", ("measure", "month", "truth", "numerator", "denominator"), truth.fleet)
    write_rows(
        folder / "quality.csv", ("measure", "month", "source", "numerator", "denominator"), truth.quality
    )
    columns = tuple(field.name for field in fields(FileTruth))
    write_rows(folder / "files.csv", columns, ([getattr(f, c) for c in columns] for f in files))
    world, happenings = hospital.world, hospital.happenings
    write_rows(folder / "attempts.csv", ATTEMPT_COLUMNS, attempt_rows(world, happenings))
    write_rows(folder / "alarms.csv", ALARM_COLUMNS, alarm_rows(world, happenings))
    write_rows(
        folder / "planted.csv",
        *planted_rows(world, hospital.plan, hospital.damage, happenings),
    )


__all__ = ["Hospital", "build", "generate"]
