-- title: Clearings that ended no alarm: none was open, or several were and the clearing names none of them
-- grain: one such clearing of the months
-- why: an alarm whose clearing nobody can tell lasts until its infusion, power or log ends, and weighs in the burden
with clears as (
    select
        e.event_id,
        m.month,
        e.facility,
        e.pump_id,
        e.channel,
        e.alarm_kind,
        e.alarm_id is null and e.alarm_kind is null as names_none,
        e.occurred_at
    from events as e
    inner join site_months as m
        on e.occurred_at >= m.begins_at and e.occurred_at < m.ends_at
    where
        e.kind = 'alarm_cleared' and coalesce(e.alarm_kind, '') <> 'limit_alert'
        and coalesce(e.use_context, 'unknown') not in ('maintenance', 'training')
),

unseen as (
    select c.*
    from clears as c
    where not exists (
        select 1
        from alarms as a
        where
            c.facility = a.facility and c.pump_id = a.pump_id and c.occurred_at = a.cleared_at
            and (c.channel = a.channel or c.channel = '') and coalesce(c.alarm_kind = a.alarm_kind, true)
    )
),

-- the clearing of an alarm that sounded again is not the last word on it
within as (
    select
        u.event_id,
        count(*) as alarms
    from unseen as u
    inner join alarms as a
        on u.facility = a.facility and u.pump_id = a.pump_id
    where
        (u.channel = a.channel or u.channel = '') and coalesce(u.alarm_kind = a.alarm_kind, true)
        and u.occurred_at >= a.raised_at and u.occurred_at < coalesce(a.cleared_at, a.ended_at)
        and a.raw_count > 1
    group by u.event_id
)

select u.event_id, u.month
from unseen as u
left join within as w
    on u.event_id = w.event_id
where w.event_id is null or (u.names_none and w.alarms > 1)
