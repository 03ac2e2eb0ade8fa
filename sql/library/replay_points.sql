-- title: Recorded values that a proposed library is held against
-- grain: one value of one quantity: entered at a limit alert, or confirmed by a programming
-- why: only what the log holds can be replayed. What was typed and taken back without a warning was never logged, so
-- alerts of a tighter limit are a lower bound. A start outside the library counts only where its entry is declared
with quantities as (
    select distinct limit_quantity from proposed_rows
),

programmed as (
    select
        'c:' || p.programming_id || ':' || q.limit_quantity as value_key,
        'confirmed' as origin,
        p.programming_id,
        p.attempt_id,
        p.infusion_id,
        p.pump_id,
        p.happened_at,
        p.care_area,
        p.entry,
        p.library_version,
        q.limit_quantity,
        cast(null as varchar) as logged_kind, cast(null as varchar) as logged_side,
        cast(null as double) as logged_limit, cast(null as double) as entered_value,
        cast(null as varchar) as entered_unit,
        p.rate_ml_h, p.dose_value, p.dose_unit, p.concentration_value, p.concentration_unit, p.weight_kg,
        p.volume_ml, p.duration_s, p.bolus_value, p.bolus_unit, p.cluster
    from library_programmes as p
    cross join quantities as q
    where
        p.can_log
        and case q.limit_quantity
            when 'dose_rate' then p.phase <> 'bolus' and p.sets_rate
            when 'flow_rate' then p.phase <> 'bolus' and p.sets_rate
            when 'concentration' then p.phase <> 'bolus' and p.sets_concentration
            when 'volume' then p.volume_ml is not null
            when 'duration' then p.duration_s is not null or (p.volume_ml is not null and p.rate_ml_h > 0)
            when 'bolus_dose' then p.bolus_value is not null
            else false
        end
),

alerted as (
    select
        'a:' || a.event_id || ':' || a.attempt_id as value_key,
        'alert' as origin,
        cast(null as varchar) as programming_id, a.attempt_id, a.attempt_infusion_id as infusion_id, a.pump_id,
        a.occurred_at as happened_at, a.care_area, a.entry, a.library_version,
        coalesce(a.limit_quantity, '') as limit_quantity,
        a.limit_kind as logged_kind, a.limit_side as logged_side, a.limit_value as logged_limit,
        a.entered_value, a.limit_unit as entered_unit,
        cast(null as double) as rate_ml_h, cast(null as double) as dose_value, cast(null as varchar) as dose_unit,
        a.concentration_value, a.concentration_unit, a.weight_kg,
        cast(null as double) as volume_ml, cast(null as double) as duration_s, cast(null as double) as bolus_value,
        cast(null as varchar) as bolus_unit,
        a.attempt_id as cluster
    from placed_alerts as a
    where a.in_span
),

bypassed as (
    select
        'b:' || i.infusion_id || ':' || q.limit_quantity as value_key,
        'bypassed' as origin,
        i.infusion_id as programming_id, cast(null as varchar) as attempt_id, i.infusion_id, i.pump_id,
        i.started_at as happened_at,
        coalesce(i.care_area, 'none selected') as care_area,
        i.entry, i.library_version, q.limit_quantity,
        cast(null as varchar) as logged_kind, cast(null as varchar) as logged_side,
        cast(null as double) as logged_limit, cast(null as double) as entered_value,
        cast(null as varchar) as entered_unit,
        g.rate_ml_h, g.dose_value, g.dose_unit, g.concentration_value, g.concentration_unit, g.weight_kg,
        cast(null as double) as volume_ml, cast(null as double) as duration_s, cast(null as double) as bolus_value,
        cast(null as varchar) as bolus_unit,
        i.infusion_id as cluster
    from infusions as i
    inner join library_span as s
        on i.started_at >= s.begins_at and i.started_at < s.ends_at
    inner join library_stretches as g
        on i.infusion_id = g.infusion_id and i.started_at = g.started_at
    cross join quantities as q
    where
        i.library_use = 'bypassed' and i.entry is not null and not i.false_start
        and coalesce(i.use_context, 'unknown') not in ('maintenance', 'training')
        and q.limit_quantity in ('dose_rate', 'flow_rate')
)

select * from programmed
union all
select * from alerted
union all
select * from bypassed
