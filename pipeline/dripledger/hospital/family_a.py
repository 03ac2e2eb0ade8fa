"""Family A: one delimited line a record, separated by semicolons, local times, decimal commas."""

from __future__ import annotations

from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa

from dripledger import engine
from dripledger.hospital import records as r
from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.happenings import Happenings
from dripledger.hospital.plants import Damage, Plan, Spoil
from dripledger.hospital.warned import tell_warnings
from dripledger.hospital.world import World
from dripledger.hospital.writing import FileTruth, doses, labels, month_slices, numbers, write_slices

HEADER = (
    "Row;Device;Count;Clock;Ch;Event;Area;Drug;Strength;StrengthUnit;Mode;Rate;Dose;DoseUnit;ToInfuse;Weight;"
    "Patient;Name;Library;Warn;Side;On;Limit;Tried;WarnUnit;WarnNo;Choice;Alarm;Grade"
)
#: Labels by kind, in the order of records.KINDS.
LABELS = [
    "PWR-ON", "AREA", "PATIENT", "WEIGHT", "LEAVE-LIB", "RUN", "ADJUST", "HOLD", "RUN-ON", "DONE", "TRICKLE",
    "HALT", "TOTAL", "PWR-OFF", "WARN", "PAST-WARN", "INTO-RANGE", "GIVE-UP", "ALARM", "ALARM-UP",
    "ALARM-MUTE", "ALARM-OVER", "PUSH", "PUSH-END", "TWEAK-7",
]  # fmt: skip
SIGN_OF_LIFE = "HELLO"
MODES = ["IN", "OPEN", "OUT"]
#: How this family spells what a warning and an alarm are about, in the order of `warned` and of ALARM_KINDS.
WARN_WORDS = {
    "limit_kind": ["S", "H"], "limit_side": ["LO", "HI"], "limit_quantity": ["RATE", "DOSE", "KG"],
    "decision_logged": ["PAST", "BACK"], "alarm_priority": ["-", "L", "M", "H"],
}  # fmt: skip
ALARM_LABELS = ["PRESSURE", "AIR", "DOOR", "SOON-EMPTY", "ALL-GIVEN", "BATT-LOW", "NO-MAINS", "SELF-TEST-BAD"]
#: How this family spells units, where it does not use UCUM.
UNITS = {
    "mg/mL": "mg/ml", "[IU]/mL": "IU/ml", "mmol/mL": "mmol/ml", "ug/kg/min": "mcg/kg/min", "ug/h": "mcg/h",
    "[IU]/h": "IU/h",
}  # fmt: skip
UNKNOWN_AREA, UNKNOWN_ENTRY_TAIL = "TMP-2", " NEW"

_LINES = """
select
    concat_ws(';',
        row_number_in_file,
        case when spoil = 3 then '' else device end,
        coalesce(count::varchar, ''),
        case
            when spoil in (1, 5) then strftime(make_timestamp(reading * 1000000), '31.02.%Y %H:%M:%S')
            when spoil = 4 then strftime(make_timestamp(reading * 1000000), '%d.%m.1899 %H:%M:%S')
            else strftime(make_timestamp(reading * 1000000), '%d.%m.%Y %H:%M:%S')
        end,
        case when channel > 0 then channel::varchar else '' end,
        event,
        coalesce(area, ''),
        coalesce(drug, ''),
        replace(coalesce(strength, ''), '.', ','),
        coalesce(strength_unit, ''),
        coalesce(mode, ''),
        case
            when spoil in (2, 5) then '1O,5'
            else coalesce(replace((rate / 100)::decimal(12, 2)::varchar, '.', ','), '')
        end,
        case when spoil = 6 then '5,000000' else coalesce(replace(printf('%.6f', dose), '.', ','), '') end,
        case when spoil = 6 then 'dabs/h' else coalesce(dose_unit, '') end,
        coalesce(replace((to_infuse / 100)::decimal(12, 2)::varchar, '.', ','), ''),
        coalesce(replace((weight / 1000)::decimal(12, 1)::varchar, '.', ','), ''),
        case when patient is null then '' else printf('M%07d', patient) end,
        case when patient is null then '' else printf('Invented Person %d', patient) end,
        coalesce(library, ''),
        coalesce(warn, ''),
        coalesce(side, ''),
        coalesce(quantity, ''),
        replace(coalesce("limit", ''), '.', ','),
        coalesce(replace(printf('%.6f', tried), '.', ','), ''),
        coalesce(warn_unit, ''),
        coalesce(warn_number::varchar, ''),
        coalesce(answer, ''),
        coalesce(alarm, ''),
        coalesce(grade, '')
    ) || chr(10) as line
from shown
order by place
"""


def write(
    world: World, plan: Plan, log: r.Records, damage: Damage, happenings: Happenings, inbox: Path
) -> list[FileTruth]:
    """Write all exports of family A and return what each must balance to."""
    mine = np.flatnonzero(np.isin(log.pump, _senders(world)) & ~damage.lost)
    signs = mine[(log.kind[mine] == r.ON) & (log.session[mine] % 2 == 0)]
    row = np.concatenate([mine, signs])
    sign = np.concatenate([np.zeros(len(mine), np.bool_), np.ones(len(signs), np.bool_)])
    at = log.at[row] + np.where(sign, 4, 0)
    month = world.calendar.month_index(log.at[row])
    months = len(world.calendar.months)
    again = np.flatnonzero((at >= plan.overlap[0]) & (at < plan.overlap[1]))
    # File numbers 2 * month; the overlapping export stands right after the month in which it begins.
    first_month = int(world.calendar.month_index(np.array([plan.overlap[0]]))[0])
    pick = np.concatenate([np.arange(len(row)), again])
    file_of = np.concatenate([month * 2, np.full(len(again), first_month * 2 + 1, np.int64)])
    row, sign, at = row[pick], sign[pick], at[pick]
    order = np.lexsort((sign, log.sequence[row], log.pump[row], at, file_of))
    row, sign, file_of = row[order], sign[order], file_of[order]
    slices = month_slices(file_of)
    names = {2 * m: f"family_a/{world.calendar.months[m]}.csv" for m in range(months)}
    names[first_month * 2 + 1] = f"family_a/{world.calendar.months[first_month]}_again.csv"
    number = np.concatenate([
        np.arange(e - b) + (700_001 if f == first_month * 2 + 1 else 1) for f, b, e in slices
    ])  # fmt: skip
    lines = _lines(world, log, damage, happenings, row, sign, number)
    write_slices(inbox, lines, [(names[f], b, e) for f, b, e in slices], frozenset())
    for f, _, _ in slices:  # the header goes before, so that the long column stays one piece
        path = inbox / names[f]
        path.write_bytes(HEADER.encode() + b"\n" + path.read_bytes())
    return _balance(log, damage, row, sign, [(names[f], b, e) for f, b, e in slices])


def _senders(world: World) -> Ints:
    pumps = world.fleet.in_family("A")
    found: Ints = pumps[pumps != world.fleet.silent]
    return found


def _lines(
    world: World,
    log: r.Records,
    damage: Damage,
    happenings: Happenings,
    row: Ints,
    sign: Flags,
    number: Ints,
) -> pa.Array:
    s, inf, scenario = world.sessions, world.infusions, world.scenario
    some = log.take(row)
    kind = some.kind
    programme = ~sign & ((kind == r.START) | ((kind == r.BYPASS) & (some.rate >= 0)))
    infusion = np.where(some.infusion >= 0, some.infusion, 0)
    entry = np.where(programme, inf.entry[infusion], -1)
    known = inf.entry_known[infusion]
    words = [e.code for e in scenario.entry]
    drug_index = np.where(entry >= 0, entry + np.where(known, 0, len(words)), -1)
    area_index = np.where(s.area_known[some.session], s.area[some.session], len(scenario.care_area))
    strengths = [f"{c:g}" for e in scenario.entry for c in (*e.concentrations, 0.0, 0.0)[:2]]
    has_strength = np.array([bool(e.concentrations) for e in scenario.entry] + [False])[entry]
    strength_index = np.where(has_strength, entry * 2 + np.clip(inf.concentration[infusion], 0, 1), -1)
    dose, dose_unit = doses(world, some, ~sign & ((kind == r.START) | (kind == r.RATE)))
    spelled = [UNITS.get(e.concentration_unit or "", e.concentration_unit or "") for e in scenario.entry]
    told = tell_warnings(world, happenings, some)
    drug_index = np.where(told.entry >= 0, told.entry, drug_index)
    shown = pa.table({
        "place": np.arange(len(row)),
        "row_number_in_file": number,
        "device": labels(world.fleet.names, some.pump),
        "count": pa.array(some.sequence, pa.int64(), mask=sign),
        "reading": r.device_reading(world, world.fleet, some) + np.where(sign, 4, 0),
        "channel": np.where(sign, 0, some.channel),
        "event": labels([*LABELS, SIGN_OF_LIFE], np.where(sign, len(LABELS), kind)),
        "area": labels([a.code for a in scenario.care_area] + [UNKNOWN_AREA],
                       np.where(~sign & (kind == r.AREA), area_index, -1)),
        "drug": labels(words + [w + UNKNOWN_ENTRY_TAIL for w in words], drug_index),
        "strength": labels(strengths, strength_index),
        "strength_unit": labels(spelled, np.where(has_strength, entry, -1)),
        "mode": labels(MODES, np.where(programme, inf.use[infusion], -1)),
        "rate": numbers(np.where(sign, -1, some.rate)),
        "dose": dose,
        "dose_unit": labels([UNITS.get(u, u) for u in _units(dose_unit)], _unit_index(dose_unit)),
        "to_infuse": numbers(np.where(sign, -1, some.to_infuse)),
        "weight": numbers(np.where(~sign & (kind == r.WEIGHT), s.weight_g[some.session], -1)),
        "patient": numbers(np.where(sign, -1, some.patient)),
        "library": labels([v.version for v in scenario.library],
                          np.where(~sign & np.isin(kind, (r.ON, r.START)), s.library[some.session], -1)),
        "warn": labels(WARN_WORDS["limit_kind"], told.grade),
        "side": labels(WARN_WORDS["limit_side"], told.side),
        "quantity": labels(WARN_WORDS["limit_quantity"], told.quantity),
        "limit": told.limit,
        "tried": told.tried,
        "warn_unit": labels([UNITS.get(u, u) for u in _units(told.unit)], _unit_index(told.unit)),
        "warn_number": told.number,
        "answer": labels(WARN_WORDS["decision_logged"], told.answer),
        "alarm": labels(ALARM_LABELS, told.alarm),
        "grade": labels(WARN_WORDS["alarm_priority"], told.priority),
        "spoil": np.where(sign, int(Spoil.NONE), damage.spoil[row]),
    })  # fmt: skip
    return run_lines(_LINES, shown)


def _units(dose_unit: pa.Array) -> list[str]:
    return [str(x) for x in dose_unit.dictionary_encode().dictionary.to_pylist()]


def _unit_index(dose_unit: pa.Array) -> Ints:
    index: Ints = (
        dose_unit.dictionary_encode().indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)
    )
    return index


def run_lines(select: str, shown: pa.Table) -> pa.Array:
    """Run a query that turns the relation `shown` into one column of lines."""
    con: duckdb.DuckDBPyConnection = engine.connect()
    try:
        con.register("shown", shown)
        return con.sql(select).to_arrow_table().column(0).cast(pa.large_string()).combine_chunks()
    finally:
        con.close()


def _balance(
    log: r.Records, damage: Damage, row: Ints, sign: Flags, files: list[tuple[str, int, int]]
) -> list[FileTruth]:
    known = np.zeros(log.size, np.bool_)
    out = []
    for name, begin, end in sorted(files):
        here, ignored = row[begin:end], sign[begin:end]
        bad = ~ignored & (damage.spoil[here] != 0)
        readable = here[~ignored & ~bad]
        twice = int(known[readable].sum())
        known[readable] = True
        kept = len(readable) - twice
        out.append(
            FileTruth(name, "family_a", end - begin, kept, twice, int(bad.sum()), int(ignored.sum()), kept)
        )
    return out
