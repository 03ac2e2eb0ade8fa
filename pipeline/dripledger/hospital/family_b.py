"""Family B: JSON lines, one line a transmission, with an array of entries; times carry their offset."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa

from dripledger.hospital import records as r
from dripledger.hospital.calendar import Ints
from dripledger.hospital.family_a import run_lines
from dripledger.hospital.happenings import Happenings
from dripledger.hospital.plants import Damage, Plan
from dripledger.hospital.warned import tell_warnings
from dripledger.hospital.world import BY_SECONDARY, World
from dripledger.hospital.writing import FileTruth, doses, labels, month_slices, numbers, write_slices

#: Labels by kind, in the order of records.KINDS.
LABELS = [
    "switched_on", "ward_chosen", "subject_changed", "weight_typed", "library_left", "flow_begun",
    "flow_altered", "flow_held", "flow_again", "target_reached", "vein_open", "flow_ended", "tally",
    "switched_off", "limit_met", "limit_passed", "limit_kept", "setup_dropped", "alarm_on", "alarm_higher",
    "alarm_hushed", "alarm_off", "push_begun", "push_done", "nudge_observed",
]  # fmt: skip
USES = ["guarded", "listed", "plain"]
#: What a warning and an alarm are about, in the order of `warned` and of ALARM_KINDS.
WARN_WORDS = {
    "limit_kind": ["bendable", "firm"], "limit_side": ["below", "above"],
    "limit_quantity": ["flow", "dose", "heaviness"], "decision_logged": ["went_on", "went_back"],
    "alarm_priority": ["none", "low", "medium", "high"],
}  # fmt: skip
ALARM_LABELS = [
    "line_blocked", "air_seen", "door_ajar", "nearly_empty", "target_done", "battery_low", "mains_gone",
    "inner_fault",
]  # fmt: skip
ENTRIES_PER_LINE = 6

_LINES = """
with entries as (
    select
        line,
        place,
        pump, library, ward, subject, spoil,
        '{"no":' || sequence
        || ',"at":"' || case
            when spoil = 1 then strftime(make_timestamp(reading * 1000000), '%Y-02-31T%H:%M:%S')
            else strftime(make_timestamp(reading * 1000000), '%Y-%m-%dT%H:%M:%S') end
        || zone_text || '"'
        || case when channel > 0 then ',"line":"' || channel || '"' else '' end
        || ',"what":"' || event || '"'
        || coalesce(',"use":"' || use || '"', '')
        || coalesce(',"drug":{"name":"' || drug || '"'
            || coalesce(',"strength":' || strength || ',"unit":"' || strength_unit || '"', '') || '}', '')
        || coalesce(',"flow":' || (rate / 100)::decimal(12, 2), '')
        || coalesce(',"dose":{"value":' || printf('%.6f', dose) || ',"unit":"' || dose_unit || '"}', '')
        || coalesce(',"target":' || (to_infuse / 100)::decimal(12, 2), '')
        || coalesce(',"given":' || (volume / 100)::decimal(12, 2) || ',"scope":"run"', '')
        || coalesce(',"weight":' || (weight / 1000)::decimal(12, 1), '')
        || coalesce(',"via":"' || via || '"', '')
        || case when returns then ',"by":"pump"' else '' end
        || case when warn_number is null then '' else ',"warning":{"no":' || warn_number
            || coalesce(',"grade":"' || warn || '","side":"' || side || '","of":"' || quantity
                || '","limit":' || "limit" || ',"tried":' || printf('%.6f', tried)
                || ',"unit":"' || warn_unit || '"', '')
            || coalesce(',"answer":"' || answer || '"', '') || '}' end
        || case when alarm is null then '' else
            ',"alarm":{"no":"' || alarm_number || '","name":"' || alarm || '"'
            || coalesce(',"grade":"' || grade || '"', '') || '}' end
        || '}' as entry
    from shown
),
transmissions as (
    select
        line,
        max(spoil) as spoil,
        '{"pump":{"id":"' || case when max(spoil) = 3 then '' else any_value(pump) end
        || '","shape":"two-line"}'
        || ',"library":"' || any_value(library) || '"'
        || coalesce(',"ward":"' || any_value(ward) || '"', '')
        || ',"subject":{"number":"' || printf('M%07d', any_value(subject)) || '"}'
        || ',"entries":[' || string_agg(entry, ',' order by place) || ']}' as text
    from entries
    group by line
)
select case when spoil >= 7 then left(text, (length(text) * 3) // 5) else text end || chr(10) as written
from transmissions
order by line
"""


def write(
    world: World, plan: Plan, log: r.Records, damage: Damage, happenings: Happenings, inbox: Path
) -> list[FileTruth]:
    """Write all exports of family B and return what each must balance to."""
    _ = plan
    fleet = world.fleet
    pumps = fleet.in_family("B")
    row = np.flatnonzero(np.isin(log.pump, pumps[pumps != fleet.silent]) & ~damage.lost)
    number = _line_numbers(log, damage, row)
    begins = np.flatnonzero(np.diff(number, prepend=-1))
    at, pump = log.at[row[begins]], log.pump[row[begins]]
    order = np.lexsort((begins, pump, at))
    rank = np.empty(len(begins), np.int64)
    rank[order] = np.arange(len(begins))
    line = rank[number]  # lines numbered in the order in which they stand in the files
    spoil = np.zeros(len(begins), np.int64)
    np.maximum.at(spoil, line, damage.spoil[row])
    count = np.bincount(line, minlength=len(begins))
    month = world.calendar.month_index(at[order])
    cut = -1 if damage.cut_at < 0 else int(line[np.flatnonzero(row == damage.cut_at)[0]])
    file_of = month * 2
    if cut >= 0:  # one month came in two files, and the first of them ends in the middle of a line
        file_of[(month == month[cut]) & (np.arange(len(month)) > cut)] += 1
    names = {}
    for file in np.unique(file_of):
        text = world.calendar.months[int(file) // 2]
        part = "" if cut < 0 or file // 2 != month[cut] else f"_{int(file) % 2 + 1}"
        names[int(file)] = f"family_b/{text}{part}.jsonl"
    slices = month_slices(file_of)
    lines = _lines(world, log, damage, happenings, row, line)
    trim = frozenset() if cut < 0 else frozenset({names[int(file_of[cut])]})
    write_slices(inbox, lines, [(names[f], b, e) for f, b, e in slices], trim)
    out = []
    for file, begin, end in slices:
        bad = spoil[begin:end] != 0
        out.append(FileTruth(names[file], "family_b", end - begin, int((~bad).sum()), 0, int(bad.sum()), 0,
                             int(count[begin:end][~bad].sum())))  # fmt: skip
    return sorted(out, key=lambda file: file.path)


def _line_numbers(log: r.Records, damage: Damage, row: Ints) -> Ints:
    """Group records into lines: a few of one session, and where damage asks for a line of its own."""
    opens = (np.diff(log.session[row], prepend=-1) != 0) | damage.breaks[row]
    run = np.cumsum(opens) - 1
    begin = np.flatnonzero(opens)
    inside = np.arange(len(row)) - begin[run]
    number: Ints = np.cumsum(opens | (inside % ENTRIES_PER_LINE == 0)).astype(np.int64) - 1
    return number


def _lines(
    world: World, log: r.Records, damage: Damage, happenings: Happenings, row: Ints, line: Ints
) -> pa.Array:
    s, inf, scenario = world.sessions, world.infusions, world.scenario
    some = log.take(row)
    kind = some.kind
    programme = (kind == r.START) | (kind == r.RATE)
    infusion = np.where(some.infusion >= 0, some.infusion, 0)
    entry = np.where(programme, inf.entry[infusion], -1)
    strengths = [f"{c:g}" for e in scenario.entry for c in (*e.concentrations, 0.0, 0.0)[:2]]
    has_strength = np.array([bool(e.concentrations) for e in scenario.entry] + [False])[entry]
    strength_index = np.where(has_strength, entry * 2 + np.clip(inf.concentration[infusion], 0, 1), -1)
    dose, dose_unit = doses(world, some, programme)
    offset = world.calendar.offset(some.at)
    hours, which = np.unique(offset, return_inverse=True)
    zone_words = [
        f"{'-' if h < 0 else '+'}{abs(int(h)) // 3600:02d}:{abs(int(h)) % 3600 // 60:02d}" for h in hours
    ]
    told = tell_warnings(world, happenings, some)
    entry = np.where(told.entry >= 0, told.entry, entry)
    # the line that fluid comes from is named where two take turns
    second = (inf.secondary | (inf.pause_cause == BY_SECONDARY))[infusion] & (some.infusion >= 0)
    named = second & np.isin(kind, (r.START, r.COMPLETE))
    shown = pa.table({
        "line": line,
        "place": np.arange(len(row)),
        "pump": labels(world.fleet.names, some.pump),
        "library": labels([v.version for v in scenario.library], s.library[some.session]),
        "ward": labels([a.slug for a in scenario.care_area], s.area[some.session]),
        "subject": s.patient[some.session],
        "sequence": some.sequence,
        "reading": some.at + offset,
        "zone_text": labels(zone_words, which.astype(np.int64)),
        "channel": some.channel,
        "event": labels(LABELS, kind),
        "use": labels(USES, np.where(programme, inf.use[infusion], -1)),
        "drug": labels([e.name for e in scenario.entry], entry),
        "strength": labels(strengths, strength_index),
        "strength_unit": labels([e.concentration_unit or "" for e in scenario.entry],
                                np.where(has_strength, entry, -1)),
        "rate": numbers(some.rate),
        "dose": dose,
        "dose_unit": dose_unit,
        "to_infuse": numbers(some.to_infuse),
        "volume": numbers(some.volume),
        "weight": numbers(np.where(kind == r.WEIGHT, s.weight_g[some.session], -1)),
        "via": labels(["main", "side"], np.where(named, inf.secondary[infusion].astype(np.int64), -1)),
        # the pump itself goes back to the main line
        "returns": named & (kind == r.START) & ~inf.secondary[infusion] & (some.at > inf.start[infusion]),
        "warn": labels(WARN_WORDS["limit_kind"], told.grade),
        "side": labels(WARN_WORDS["limit_side"], told.side),
        "quantity": labels(WARN_WORDS["limit_quantity"], told.quantity),
        "limit": told.limit,
        "tried": told.tried,
        "warn_unit": told.unit,
        "warn_number": told.number,
        "answer": labels(WARN_WORDS["decision_logged"], told.answer),
        "alarm": labels(ALARM_LABELS, told.alarm),
        "alarm_number": told.alarm_number,
        "grade": labels(WARN_WORDS["alarm_priority"], told.priority),
        "spoil": damage.spoil[row],
    })  # fmt: skip
    return run_lines(_LINES, shown)
