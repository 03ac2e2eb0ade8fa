"""Family C: device messages (HL7 v2) of the open profiles: PCD-10 infusion events, PCD-04 alerts.

Layout after IHE PCD Technical Framework Vol. 2 Rev. 9.0 (2019). The profile has no event for a rate change, a
pause, a limit alert, a bolus or a switch of the library: all that delivers comes as stops and starts.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa

from dripledger.hospital import records as r
from dripledger.hospital.calendar import Flags, Ints
from dripledger.hospital.family_a import run_lines
from dripledger.hospital.happenings import Happenings
from dripledger.hospital.plants import Damage, Plan
from dripledger.hospital.warned import tell_warnings
from dripledger.hospital.world import (
    BY_ALARM,
    BY_SECONDARY,
    HANDED_OVER,
    Infusions,
    Reals,
    World,
    rate_after,
    volume_at,
)
from dripledger.hospital.writing import FileTruth, doses, labels, month_slices, numbers, write_slices

#: Reference names of alarms in the order of ALARM_KINDS; empty: the profile's terms at hand have none.
ALARM_NAMES = (
    "MDC_EVT_FLUID_LINE_OCCL", "MDC_EVT_FLUID_LINE_AIR", "MDC_EVT_DOOR_OPEN", "MDC_EVT_SYRINGE_REPLACE_WARN",
    "MDC_EVT_EMPTY", "MDC_EVT_BATT_LO", "", "MDC_EVT_INOP",
)  # fmt: skip
_EVENTS = {r.START: "START", r.KEEP_OPEN: "START", r.STOP: "STOP", r.COMPLETE: "COMP"}
#: Phase, state and inactivation of an alert.
_PHASES = {
    r.ALARM: ("start", "active", "enabled"), r.ALARM_UPDATE: ("escalate", "active", "enabled"),
    r.SILENCE: ("update", "active", "audio-paused"), r.CLEAR: ("end", "inactive", "enabled"),
}  # fmt: skip
_PRIORITIES = ["PN", "PL", "PM", "PH"]

_LINES = r"""
with parts as (
    select
        place,
        '|' || strftime(make_timestamp(sent * 1000000), '%Y%m%d%H%M%S') || sent_zone as sent_text,
        strftime(make_timestamp(reading * 1000000), '%Y%m%d%H%M%S') || zone_text as happened,
        '^^0102030405060708^EUI-64' as system,
        'BRENNICK' as authority,
        chr(13) as cr,
        *
    from shown
)

select
    'MSH|^~\&|BV_GATEWAY' || system[2:] || '|GATEWAY|LEDGER|LEDGER' || sent_text || '||ORU^'
    || case when phase is null then 'R42^ORU_R01' else 'R40^ORU_R40' end || '|' || control
    || '|P|2.6|||AL|NE||UNICODE UTF-8|en^English^ISO639||'
    || case
        when phase is null then 'IHE_PCD_010^IHE PCD^1.3.6.1.4.1.19376.1.6.4.10^ISO'
        else 'IHE_PCD_ACM_001^IHE PCD^1.3.6.1.4.1.19376.1.6.4.4.1^ISO'
    end || cr
    || 'PID|||' || printf('M%07d', patient) || '^^^' || authority || '^PI||Person ' || patient
    || '^Invented' || cr
    || 'PV1||I|' || ward || '^^' || cr
    || case when phase is null then
        'OBR|1|O' || infusion || '^PLACER|F' || control || '^GATEWAY|' || coalesce(drug_code || '^'
        || drug, '')
        || '|||' || happened || cr
        || 'OBX|1||70049^MDC_DEV_PUMP_INFUS_LVP_MDS^MDC|1.0.0.0|||||||X|||||||' || pump || system || cr
        || 'OBX|2|ST|184517^MDC_PUMP_DRUG_LIBRARY_VERSION^MDC|1.0.0.1|' || library || '||||||R' || cr
        || 'OBX|3|CWE|68487^MDC_ATTR_EVT_COND^MDC|1.0.0.2|^MDC_EVT_PUMP_DELIV_' || event
        || '^MDC||||||R' || cr
        || 'OBX|4|ST|68488^MDC_ATTR_EVT_SOURCE^MDC|1.0.0.3|1.1.' || source_place || '.0||||||R' || cr
        || 'OBX|5||70050^MDC_DEV_PUMP_INFUS_LVP_VMD^MDC|1.1.0.0|||||||X' || cr
        || 'OBX|6||70067^MDC_DEV_PUMP_DELIVERY_INFO^MDC|1.1.1.0|||||||X' || cr
        || 'OBX|7|CWE|184519^MDC_PUMP_INFUSING_STATUS^MDC|1.1.1.1|^pump-status-'
        || case when runs then 'infusing' else 'not-infusing' end || '||||||R' || cr
        || 'OBX|8|NM|158014^MDC_FLOW_FLUID_PUMP_CURRENT^MDC|1.1.1.2|'
        || case when runs then rate_text else '0.00' end
        || '|265266^MDC_DIM_MILLI_L_PER_HR^MDC^mL/h^mL/h^UCUM|||||R' || cr
        || 'OBX|9|CWE|158016^MDC_DEV_PUMP_ACTIVE_SOURCES^MDC|1.1.1.3|^pump-source-info-' || lower(source)
        || '||||||R' || cr
        || 'OBX|10||' || case when source_place = 2 then '70071' else '' end
        || '^MDC_DEV_PUMP_INFUSATE_SOURCE_' || source
        || '^MDC|1.1.' || source_place || '.0|||||||X' || cr
        || 'OBX|11|CWE|158005^MDC_DEV_PUMP_CURRENT_DELIVERY_STATUS^MDC|' || head
        || '.1|^pump-delivery-status-'
        || status || '||||||R' || cr
        || 'OBX|12|NM|157784^MDC_FLOW_FLUID_PUMP^MDC|' || head || '.2|' || rate_text
        || '|265266^MDC_DIM_MILLI_L_PER_HR^MDC^mL/h^mL/h^UCUM|||||R' || cr
        || coalesce('OBX|13|CWE|158006^MDC_DEV_PUMP_NOT_DELIVERING_REASON^MDC|' || head
        || '.3|^pump-stopped-'
            || reason || '||||||R' || cr, '')
        || coalesce('OBX|14|NM|157924^MDC_RATE_DOSE^MDC|' || head || '.4|' || printf('%.6f', dose) || '|'
            || dose_unit || '^' || dose_unit || '^UCUM|||||R' || cr, '')
        || coalesce('OBX|15|NM|157884^MDC_VOL_FLUID_TBI^MDC|' || head || '.5|'
        || (to_infuse / 100)::decimal(12, 2)
            || '|263762^MDC_DIM_MILLI_L^MDC^mL^mL^UCUM|||||R' || cr, '')
        || coalesce('OBX|16|NM|157864^MDC_VOL_FLUID_DELIV^MDC|' || head || '.6|'
        || printf('%.4f', volume / 100)
            || '|263762^MDC_DIM_MILLI_L^MDC^mL^mL^UCUM|||||R' || cr, '')
        || coalesce('OBX|17|ST|184514^MDC_DRUG_NAME_LABEL^MDC|' || head || '.7|' || drug || '||||||R'
        || cr, '')
        || coalesce('OBX|18|NM|157760^MDC_CONC_DRUG^MDC|' || head || '.8|' || strength || '|'
        || strength_unit || '^'
            || strength_unit || '^UCUM|||||R' || cr, '')
        || coalesce('OBX|19|ST|184516^MDC_PUMP_DRUG_LIBRARY_CARE_AREA^MDC|' || head || '.9|' || area
        || '||||||R'
            || cr, '')
        || coalesce('OBX|20|NM|68063^MDC_ATTR_PT_WEIGHT^MDC|' || head || '.10|'
        || (weight / 1000)::decimal(12, 1)
            || '|263875^MDC_DIM_KILO_G^MDC^kg^kg^UCUM|||||R' || cr, '')
    else
        'OBR|1|T' || control || '^GATEWAY|A' || alarm_number || '^GATEWAY|196616^MDC_EVT_ALARM^MDC|||'
        || happened || cr
        || 'OBX|1|CWE|196616^MDC_EVT_ALARM^MDC|1.' || channel || '.0.0.1|^' || alarm
        || '^MDC||||||F|||||||' || pump
        || system || cr
        || 'OBX|2|CWE|68480^MDC_ATTR_ALERT_SOURCE^MDC|1.' || channel
        || '.0.0.2|69985^MDC_DEV_PUMP_INFUS_MDS^MDC||||||F'
        || cr
        || 'OBX|3|ST|68481^MDC_ATTR_EVENT_PHASE^MDC|1.' || channel || '.0.0.3|' || phase || '||||||F' || cr
        || 'OBX|4|ST|68482^MDC_ATTR_ALARM_STATE^MDC|1.' || channel || '.0.0.4|' || state || '||||||F' || cr
        || 'OBX|5|ST|68483^MDC_ATTR_ALARM_INACTIVATION_STATE^MDC|1.' || channel || '.0.0.5|' || inactivation
        || '||||||F' || cr
        || coalesce('OBX|6|ST|68484^MDC_ATTR_ALARM_PRIORITY^MDC|1.' || channel || '.0.0.6|' || grade
        || '||||||F'
            || cr, '')
    end as message
from parts
order by place
"""


def spoken(world: World, records: r.Records) -> Flags:
    """Return which records a pump of this family can say at all."""
    of_c = np.isin(records.pump, world.fleet.in_family("C"))
    told: Flags = ~of_c | np.isin(records.kind, (*_EVENTS, *_PHASES))
    return told


def write(
    world: World, plan: Plan, log: r.Records, damage: Damage, happenings: Happenings, inbox: Path
) -> list[FileTruth]:
    """Write all exports of family C and return what each must balance to: all of it is kept."""
    _ = plan, damage
    row = np.flatnonzero(np.isin(log.pump, world.fleet.in_family("C")))
    if len(row) == 0:
        return []
    sent = log.at[row] + 1 + row % 7
    late = r.late_messages(world, log)[row]
    sent = np.where(late, sent + 7200 + (row * 977) % 90000, sent)
    file_of = world.calendar.month_index(sent)
    order = np.lexsort((row, sent, file_of))
    row, sent, file_of = row[order], sent[order], file_of[order]
    lines = _lines(world, log, happenings, row, sent)
    files = [(f"family_c/{world.calendar.months[f]}.hl7", b, e) for f, b, e in month_slices(file_of)]
    write_slices(inbox, lines, files, frozenset())
    return [FileTruth(name, "family_c", e - b, e - b, 0, 0, 0, e - b) for name, b, e in files]


def _lines(world: World, log: r.Records, happenings: Happenings, row: Ints, sent: Ints) -> pa.Array:
    s, inf, scenario = world.sessions, world.infusions, world.scenario
    some = log.take(row)
    kind = some.kind
    own = some.infusion
    entry = np.where(np.isin(kind, tuple(_EVENTS)), inf.entry[own], -1)
    starts = kind == r.START
    strengths = [f"{c:g}" for e in scenario.entry for c in (*e.concentrations, 0.0, 0.0)[:2]]
    has_strength = np.array([bool(e.concentrations) for e in scenario.entry] + [False])[entry]
    strength_index = np.where(has_strength, entry * 2 + np.clip(inf.concentration[own], 0, 1), -1)
    dose, dose_unit = doses(world, some, starts)
    since = some.at - inf.start[own]
    rate = np.where(some.rate >= 0, some.rate, _rate_at(inf, own, since))
    reason = _reasons(inf, own, since, kind)
    names = sorted(_EVENTS.values())
    phases = list(_PHASES.values())
    phase = np.full(len(row), -1, np.int64)
    for place, of in enumerate(_PHASES):
        phase[kind == of] = place
    told = tell_warnings(world, happenings, some)
    area = np.where(starts & (inf.entry[own] >= 0), s.area[some.session], -1)
    second = inf.secondary[own]
    event = np.array([names.index(_EVENTS.get(k, "START")) for k in range(len(r.KINDS))])[kind]
    statuses = ["delivering", "kvo", "transitioning", "not-delivering"]
    status = np.select(
        [kind == r.START, kind == r.KEEP_OPEN, (kind == r.COMPLETE) | (reason == 3)], [0, 1, 2], 3
    ).astype(np.int64)  # fmt: skip
    sent_offset, offset = world.calendar.offset(sent), world.calendar.offset(some.at)
    shown = pa.table({
        "place": np.arange(len(row)),
        "sent": sent + sent_offset,
        "sent_zone": _zones(sent_offset),
        "reading": some.at + offset,
        "zone_text": _zones(offset),
        "control": 100_000 + np.arange(len(row)),
        "patient": s.patient[some.session],
        "ward": labels([a.name for a in scenario.care_area], np.where(s.area[some.session] >= 0,
                       s.area[some.session], 0)),
        "infusion": own,
        "pump": labels(world.fleet.names, some.pump),
        "library": labels([v.version for v in scenario.library], s.library[some.session]),
        "event": labels(names, event),
        "source": labels(["PRIMARY", "SECONDARY"], second.astype(np.int64)),
        "source_place": np.where(second, 3, 2),
        "head": labels(["1.1.2", "1.1.3"], second.astype(np.int64)),
        "channel": some.channel,
        "runs": starts | (kind == r.KEEP_OPEN),
        "status": labels(statuses, status),
        "reason": labels(["by-clinician", "alarming", "switching-source"], np.where(kind == r.STOP,
                         np.where(reason < 3, reason, -1), -1)),
        "rate_text": labels(*_texts(rate)),
        "dose": dose,
        "dose_unit": dose_unit,
        "to_infuse": numbers(some.to_infuse),
        "volume": pa.array(_volumes(inf, own, since), pa.float64(),
                           mask=~np.isin(kind, (r.STOP, r.COMPLETE))),
        "drug": labels([e.name for e in scenario.entry], entry),
        "drug_code": labels([e.code for e in scenario.entry], entry),
        "strength": labels(strengths, np.where(starts, strength_index, -1)),
        "strength_unit": labels([e.concentration_unit or "" for e in scenario.entry],
                                np.where(has_strength & starts, entry, -1)),
        "area": labels([a.name for a in scenario.care_area], area),
        "weight": numbers(np.where(starts, s.weight_g[some.session], -1)),
        "phase": labels([p[0] for p in phases], phase),
        "state": labels([p[1] for p in phases], phase),
        "inactivation": labels([p[2] for p in phases], phase),
        "alarm": labels(list(ALARM_NAMES), told.alarm),
        "alarm_number": told.alarm_number,
        "grade": labels(_PRIORITIES, told.priority),
    })  # fmt: skip
    return run_lines(_LINES, shown)


def _zones(offset: Ints) -> pa.Array:
    hours, which = np.unique(offset, return_inverse=True)
    words = [f"{'-' if h < 0 else '+'}{abs(int(h)) // 3600:02d}{abs(int(h)) % 3600 // 60:02d}" for h in hours]
    return labels(words, which.astype(np.int64))


def _texts(rate: Ints) -> tuple[list[str], Ints]:
    values, which = np.unique(rate, return_inverse=True)
    return [f"{int(v) / 100:.2f}" for v in values], which.astype(np.int64)


def _running(inf: Infusions, own: Ints, since: Ints) -> Ints:
    """Return running seconds of the first leg at a moment."""
    paused = inf.pause_at[own] >= 0
    after = np.maximum(inf.pause_at[own], since - inf.pause_s[own])
    running: Ints = np.where(paused & (since > inf.pause_at[own]), after, since)
    return np.minimum(running, inf.run_s[own])


def _rate_at(inf: Infusions, own: Ints, since: Ints) -> Ints:
    """Return the rate that was in force up to a moment."""
    running = _running(inf, own, since)
    part = inf.rows(own)
    before = (part.change_at < running[:, None]).sum(axis=1)
    return rate_after(part, before)


def _volumes(inf: Infusions, own: Ints, since: Ints) -> Reals:
    """Return what the infusion had delivered up to a moment, in 0.01 mL."""
    part = inf.rows(own)
    volume = volume_at(part, _running(inf, own, since))
    again = np.where(part.second_s > 0, np.clip(since - part.second_at, 0, part.second_s), 0)
    found: Reals = volume + rate_after(part, part.changes) * again / 3600
    return found


def _reasons(inf: Infusions, own: Ints, since: Ints, kind: Ints) -> Ints:
    """Return why a stop stops: 0 a person, 1 an alarm, 2 another source takes over, 3 it goes on at once."""
    at_pause = (kind == r.STOP) & (since == inf.pause_at[own])
    cause = inf.pause_cause[own]
    ends = since >= inf.length[own]
    goes_on = ~at_pause & (~ends | (inf.ending[own] == HANDED_OVER))
    found: Ints = np.select(
        [at_pause & (cause == BY_ALARM), at_pause & (cause == BY_SECONDARY), (kind == r.STOP) & goes_on],
        [1, 2, 3], 0,
    ).astype(np.int64)  # fmt: skip
    return found
