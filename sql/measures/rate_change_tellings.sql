-- title: Logged changes of rate by users, and whether the new rate is known
-- grain: month, source, infusion, care area, entry, what is known; changes that log a rate: month, source
-- note: without a rate of its own a change tells it by a dose, or by another row of that moment, where the stretch from
-- then on has one (ruling 51). `is_blank`: inside the library, and no value at all tells that it was a programming
with logged as (
    select
        e.event_id,
        e.facility,
        e.pump_id,
        e.channel,
        e.occurred_at,
        e.rate_ml_h,
        e.dose_value,
        coalesce(e.dose_value, e.volume_to_infuse_ml, e.programmed_duration_s) is null as tells_nothing,
        m.month,
        coalesce(g.log, e.source_name, 'unknown') as source
    from counting_events as e
    inner join site_months as m
        on e.occurred_at >= m.begins_at and e.occurred_at < m.ends_at
    left join pump_logs as g
        on e.pump_id = g.pump_id and e.source_name = g.source_name and m.month = g.month
    where
        e.kind = 'rate_changed' and coalesce(e.initiator, 'user') = 'user'
        and coalesce(e.use_context, 'unknown') not in ('maintenance', 'training')
),

without_rate as (
    select * from logged
    where rate_ml_h is null
),

-- most logs tell the rate of each change: of the others only what their channels did is looked through
near as (
    select s.*
    from segments as s
    semi join without_rate as l
        on s.facility = l.facility and s.pump_id = l.pump_id and s.channel = l.channel
),

ran as (
    select
        l.month,
        l.source,
        s.rate_ml_h is not null and (l.dose_value is not null or s.started_at = l.occurred_at) as is_told,
        l.tells_nothing and not (s.rate_ml_h is not null and s.started_at = l.occurred_at)
        and s.library_use in ('limited', 'no_limit_entry') and p.programming_id is null as is_blank,
        s.infusion_id,
        s.care_area,
        s.entry
    from without_rate as l
    asof inner join near as s
        on
            l.facility = s.facility
            and l.pump_id = s.pump_id
            and l.channel = s.channel
            and l.occurred_at >= s.started_at
    left join programmings as p
        on l.event_id = p.programming_id
    where s.ended_at >= l.occurred_at and s.state in ('running', 'bolus', 'unknown')
)

select
    month,
    source,
    true as is_told,
    false as is_blank,
    null as infusion_id,
    '' as care_area,
    '' as entry,
    'unknown' as pump_type,
    'unknown' as high_alert,
    cast(count(*) as bigint) as changes
from logged
where rate_ml_h is not null
group by month, source
union all
select
    r.month,
    r.source,
    r.is_told,
    coalesce(r.is_blank, false) as is_blank,
    r.infusion_id,
    coalesce(r.care_area, 'none selected') as care_area,
    coalesce(r.entry, '') as entry,
    coalesce(i.pump_type, 'unknown') as pump_type,
    case when f.entry is null then 'unknown' when f.high_alert then 'yes' else 'no' end as high_alert,
    cast(count(*) as bigint) as changes
from ran as r
inner join infusions as i
    on r.infusion_id = i.infusion_id
left join entry_flags as f
    on r.entry = f.entry
where coalesce(i.use_context, 'unknown') not in ('maintenance', 'training')
group by
    r.month, r.source, r.is_told, r.is_blank, r.infusion_id, r.care_area, r.entry, i.pump_type, f.entry, f.high_alert
