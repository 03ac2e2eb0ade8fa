"""The list of planted incidents and faults, and an example each of what the play brings by itself."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from dripledger.hospital.calendar import Flags
from dripledger.hospital.plants import SPOIL_WORDS, Damage, Plan, Plant, Spoil
from dripledger.hospital.world import REFILLED, World

_HEADER = ("item", "pump", "channel", "from_local", "to_local", "what", "expected")


def planted_rows(
    world: World, plan: Plan, damage: Damage
) -> tuple[Sequence[str], Iterable[Sequence[object]]]:
    """Return header and rows of truth/planted.csv, sorted by item and time."""
    plants = [*plan.plants, *_whole_pumps(world), *_autumn(world), *_examples(world, plan)]
    plants += _files(world, plan, damage)
    rows = [
        (p.item, world.fleet.names[p.pump] if p.pump >= 0 else "", p.channel or "",
         world.calendar.iso(p.start), world.calendar.iso(p.end), p.what, p.expected)
        for p in sorted(plants, key=lambda p: (p.item, p.start, p.pump, p.what))
    ]  # fmt: skip
    return _HEADER, rows


def _whole_pumps(world: World) -> list[Plant]:
    fleet, fast = world.fleet, world.scenario.planted.clock_fast_s
    return [
        Plant("fast_clock", fleet.fast, 0, fleet.clock_from, world.log_end, f"its clock runs {fast} s fast",
              "corrected: clocks.csv declares it"),
        Plant("silent_pump", fleet.silent, 0, world.log_start, world.log_end,
              "in service and in use, and never sends a log",
              "missing from every measure but fleet coverage"),
    ] + [
        Plant("drifting_bypasses", -1, 0, world.log_start, world.log_end, area.name,
              f"share outside the library grows by {area.drift:g} a month")
        for area in world.scenario.care_area if area.drift > 0
    ]  # fmt: skip


def _autumn(world: World) -> list[Plant]:
    told = {
        "autumn_hour": (
            "rate changes before and after the clocks go back", "the sequence tells which hour: exact",
        ),
        "autumn_hour_unclear": (
            "starts in the second of the repeated hours, and nothing tells", "read an hour early, ambiguous",
        ),
    }  # fmt: skip
    s = world.sessions
    return [
        Plant(name, int(s.pump[i]), 0, int(s.start[i]), int(s.end[i]), *told[name])
        for name, i in world.pinned.items()
    ]


def _examples(world: World, plan: Plan) -> list[Plant]:
    """Return the first plain example of each thing that happens all the time, and how many there are."""
    inf, s, calendar = world.infusions, world.sessions, world.calendar
    end = inf.start + inf.length
    whole = (end < world.log_end) & ~plan.maintenance[inf.session]
    whole &= s.pump[inf.session] != world.fleet.silent
    plain = whole & ~np.isin(inf.session, sorted(plan.touched))
    day = (calendar.reading(inf.start) // 86400, calendar.reading(end) // 86400)
    month = (calendar.month_index(inf.start), calendar.month_index(end))
    things: list[tuple[str, Flags, str, str]] = [
        ("across_midnight", day[0] != day[1], "runs across midnight", "one infusion"),
        ("across_month_end", month[0] != month[1], "runs across a month's end",
         "its start counts in the first month, its hours in each"),
        ("pause", inf.pause_at >= 0, "paused and resumed", "no new start"),
        ("refill", inf.ending == REFILLED, "completed and started again within the window", "no new start"),
        ("keep_open", inf.keep_open_s > 0, "keep-open after completion", "its time is no running time"),
        ("leaves_library_midway", inf.handed & (inf.entry < 0), "leaves the library while running",
         "a new infusion and a start"),
        ("enters_library_midway", inf.handed & (inf.entry >= 0), "enters the library while running",
         "a new infusion and a start"),
        ("false_start", (inf.run_s + inf.second_s) < 30, "ran under 30 s",
         "in no start-based measure; its seconds stay in the hours"),
        ("no_care_area", s.area[inf.session] < 0, "no care area was selected",
         "stands under 'none selected'"),
    ]  # fmt: skip
    out = []
    for item, mask, what, expected in things:
        rows = np.flatnonzero(mask & plain)
        if len(rows):
            i = int(rows[0])
            count = int((mask & whole).sum())
            pump, begin = int(s.pump[inf.session[i]]), int(inf.start[i])
            told = f"{what} (one of {count})"
            out.append(Plant(item, pump, int(inf.channel[i]), begin, int(end[i]), told, expected))
    return out


def _files(world: World, plan: Plan, damage: Damage) -> list[Plant]:
    out = [Plant("overlapping_export", -1, 0, *plan.overlap,
                 "family A was exported twice, with other row numbers",
                 "what was known already counts as duplicates")]  # fmt: skip
    for spoil in list(Spoil)[1:]:
        count = int((damage.spoil == spoil).sum())
        out.append(Plant("unreadable_total", -1, 0, world.log_start, world.log_end,
                         f"{count} entries: {SPOIL_WORDS[spoil]}", "quarantined"))  # fmt: skip
    return out
