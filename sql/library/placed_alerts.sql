-- title: Limit alerts, each with the care area, entry, library, concentration and weight that it was about
-- grain: one limit alert of one attempt
-- why: where the alert itself is silent: what was in force at it, else what the confirmed programme of the attempt says
with held as (
    select facility, pump_id, channel, started_at, entry, concentration_value, concentration_unit, weight_kg
    from library_stretches
    where place = 1 and infusion_id is not null
),

contexts as (
    select
        attempt_id,
        arg_min(concentration_value, programming_id) as concentration_value,
        arg_min(concentration_unit, programming_id) as concentration_unit,
        arg_min(weight_kg, programming_id) as weight_kg,
        arg_min(library_version, programming_id) as library_version
    from library_programmes
    where attempt_id is not null
    group by attempt_id
)

select
    a.event_id, a.attempt_id, a.attempt_infusion_id, a.pump_id, a.occurred_at, a.in_span, a.outcome,
    coalesce(a.care_area, a.attempt_area) as care_area,
    coalesce(a.entry, a.attempt_entry) as entry,
    -- what the confirmed programme ran under warned before it too: a version may be named from the start on alone
    coalesce(a.library_version, c.library_version, v.library_version) as library_version,
    a.limit_quantity, a.limit_kind, a.limit_side, a.limit_value, a.entered_value, a.limit_unit,
    coalesce(a.concentration_value, h.concentration_value, c.concentration_value) as concentration_value,
    case
        when a.concentration_value is not null then a.concentration_unit
        when h.concentration_value is not null then h.concentration_unit
        else c.concentration_unit
    end as concentration_unit,
    coalesce(a.weight_kg, h.weight_kg, c.weight_kg) as weight_kg
from library_alerts as a
left join library_attempts as t
    on a.attempt_id = t.attempt_id
-- before a start nothing of its own is in force: what ran last on the channel may be another patient's
asof left join held as h
    on
        a.facility = h.facility and a.pump_id = h.pump_id and t.channel = h.channel
        and case when t.phase <> 'start' then coalesce(a.entry, a.attempt_entry) end = h.entry
        and a.occurred_at > h.started_at
left join contexts as c
    on a.attempt_id = c.attempt_id
left join library_versions as v
    on
        a.facility = v.facility and a.pump_id = v.pump_id
        and a.occurred_at >= v.first_seen_at and (v.until_at is null or a.occurred_at < v.until_at)
