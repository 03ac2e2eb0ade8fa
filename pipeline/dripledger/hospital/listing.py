"""The list of planted incidents and faults, and an example each of what the play brings by itself."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from dripledger.hospital.attempts import AT_START, FORMS, LEFT
from dripledger.hospital.calendar import Flags
from dripledger.hospital.fleet import FAMILIES
from dripledger.hospital.happenings import BATTERY, STOPPING, Happenings
from dripledger.hospital.plants import SPOIL_WORDS, Damage, Plan, Plant, Spoil
from dripledger.hospital.world import REFILLED, World

_HEADER = ("item", "pump", "channel", "from_local", "to_local", "what", "expected")


def planted_rows(
    world: World, plan: Plan, damage: Damage, happenings: Happenings
) -> tuple[Sequence[str], Iterable[Sequence[object]]]:
    """Return header and rows of truth/planted.csv, sorted by item and time."""
    plants = [*plan.plants, *_whole_pumps(world), *_autumn(world), *_examples(world, plan)]
    plants += _files(world, plan, damage)
    plants += [*_warnings(world, happenings), *_alarms(world, happenings), *_lines(world, happenings)]
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


def _warnings(world: World, happenings: Happenings) -> list[Plant]:
    """Return the single attempts that were planted, and an example of each form of the others."""
    a, inf, s = happenings.attempts, world.infusions, world.sessions
    factor, chosen = world.scenario.planted.tenfold_factor, happenings.tenfold
    sends = (s.pump != world.fleet.silent) & (world.fleet.family[s.pump] != FAMILIES.index("C"))
    told = sends[inf.session[a.infusion]]
    things: list[tuple[str, Flags, str, str]] = [
        ("tenfold_brought_inside", np.isin(a.infusion, chosen.brought_inside) & (a.step == AT_START),
         f"a start typed {factor} times too high, brought within limits after the warning",
         "an attempt: within_limits"),
        ("tenfold_overridden", np.isin(a.infusion, chosen.overridden) & (a.step == AT_START),
         f"a start typed {factor} times too high, and the warning overridden",
         "an attempt: overridden, and listed among those far over the limit"),
        ("left_library_after_warning", np.isin(a.infusion, chosen.left) & (a.outcome == LEFT),
         "warned, then started outside the library", "an attempt: left_library"),
        ("weight_in_pounds", a.weight_limit_g > 0,
         "a weight in pounds typed as kilograms: warned, overridden",
         "an attempt: overridden, before any entry is chosen, on the channel that starts next; the patient's "
         "other weight is beside it"),
        ("hard_limit_met", a.hard & told, "an entry beyond a hard limit", "no override: it met a hard limit"),
        ("limit_alerts_unlogged", world.fleet.family[s.pump[inf.session[a.infusion]]] == FAMILIES.index("C"),
         "device messages cannot tell a limit alert", "in no measure of limit alerts: not measurable there"),
        *((f"limit_alerts_{form}", (a.form == place) & told, f"limit alerts in the form {form}",
           "the same attempts whatever the form") for place, form in enumerate(FORMS)),
    ]  # fmt: skip
    out = []
    for item, mask, what, expected in things:
        rows = np.flatnonzero(mask)
        shown = rows if item in ("weight_in_pounds",) else rows[:1]
        for i in shown:
            row = int(a.infusion[i])
            count = f" (one of {len(rows)})" if len(rows) > 1 else ""
            if item == "weight_in_pounds":  # the session before is the same patient's
                typed, meant = (s.weight_g[inf.session[row] - back] / 1000 for back in (0, 1))
                count = f": {typed:.1f} kg, after {meant:.1f} kg{count}"
            out.append(Plant(item, int(s.pump[inf.session[row]]), int(inf.channel[row]), int(a.first_at[i]),
                             int(a.ended_at[i]), what + count, expected))  # fmt: skip
    out += [
        Plant("noisy_limit_quieted", -1, 0, world.calendar.instant(f"{v.published.isoformat()}T00:00:00"),
              world.log_end, f"{entry.name}: release {v.version} raises its soft high limit",
              "fewer limit alerts as pumps get the release")
        for entry in world.scenario.entry for v in world.scenario.library if entry.quiet_from == v.version
    ]  # fmt: skip
    return out


def _alarms(world: World, happenings: Happenings) -> list[Plant]:
    a, inf, s = happenings.alarms, world.infusions, world.sessions
    told = (s.pump != world.fleet.silent)[inf.session[a.infusion]]
    stops = np.isin(a.kind, STOPPING)
    over = np.where(a.over >= 0, a.over, a.raised)
    overlaps = np.zeros(a.size, np.bool_)
    for i in np.flatnonzero(a.kind == BATTERY):
        same = (a.infusion == a.infusion[i]) & (a.raised < over[i]) & (over > a.raised[i])
        overlaps[i] = bool(same.sum() > 1)
    things: list[tuple[str, Flags, str, str]] = [
        ("alarm_stops", stops, "an alarm stops the delivery", "time stopped by an alarm until it goes on"),
        ("alarm_does_not_stop", ~stops, "an alarm that stops nothing", "the delivery runs on"),
        ("alarms_overlap", overlaps, "two alarms sound at once", "the minutes count once"),
        ("alarm_never_cleared", a.over < 0, "an alarm is never cleared", "censored, and counted as such"),
        ("alarm_repeats", a.again >= 0, "sounds again within a minute of clearing", "one alarm"),
        ("alarm_escalates", a.updated >= 0, "rises in priority", "one alarm, at its highest priority"),
    ]  # fmt: skip
    out = []
    for item, mask, what, expected in things:
        rows = np.flatnonzero(mask & told)
        if len(rows):
            one = int(rows[0])
            pump, count = int(s.pump[inf.session[a.infusion[one]]]), f"{what} (one of {len(rows)})"
            out.append(
                Plant(item, pump, int(a.channel[one]), int(a.raised[one]), int(over[one]), count, expected)
            )
    return out


def _lines(world: World, happenings: Happenings) -> list[Plant]:
    inf, s = world.infusions, world.sessions

    def plant(item: str, row: int, what: str, expected: str) -> Plant:
        begin = int(inf.start[row])
        return Plant(item, int(s.pump[inf.session[row]]), int(inf.channel[row]), begin,
                     begin + int(inf.length[row]), what, expected)  # fmt: skip

    out = [plant("piggyback", int(i), "a secondary infusion interrupts the primary",
                 "an infusion of its own; the return of the primary is no start")
           for i in happenings.piggybacks]  # fmt: skip
    out += [plant("relay", two, f"the same drug goes on from channel {int(inf.channel[one])}",
                  "two infusions, and no finding") for one, two in happenings.relays]  # fmt: skip
    rows = happenings.boluses.infusion
    if len(rows):
        out.append(plant("bolus", int(rows[0]), f"a bolus while it runs (one of {len(rows)})",
                         "running time, and a programming of its own phase"))  # fmt: skip
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
