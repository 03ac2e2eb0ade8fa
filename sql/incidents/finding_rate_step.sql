-- title: Rates that became many times larger or smaller while the infusion ran
-- grain: one change
-- note: from one running stretch of an infusion to the next, whatever lies between; what the pump or an order changed
-- is none. A change that is the last thing seen before a lost stop has no rate in its stretch: the event tells it
with told as (
    select
        facility, pump_id, channel, occurred_at,
        max_by(rate_ml_h, {'sequence': coalesce(sequence, 0), 'id': event_id}) as rate_ml_h,
        list(event_id order by event_id) as evidence,
        bool_or(coalesce(initiator in ('pump', 'order'), false)) as by_others
    from events
    where
        kind in ('rate_changed', 'programme_changed', 'infusion_started', 'infusion_resumed')
        and rate_ml_h is not null
    group by facility, pump_id, channel, occurred_at
),

stretches as (
    select
        s.infusion_id, s.facility, s.pump_id, s.channel, s.started_at, s.ended_at, s.care_area, s.entry,
        coalesce(s.rate_ml_h, t.rate_ml_h) as rate_ml_h,
        t.evidence,
        coalesce(t.by_others, false) as by_others
    from segments as s
    left join told as t
        on
            s.facility = t.facility and s.pump_id = t.pump_id and s.channel = t.channel
            and s.started_at = t.occurred_at
    where s.state = 'running' or (s.state = 'unknown' and t.rate_ml_h is not null)
),

neighbours as (
    select
        *,
        lag(rate_ml_h) over (partition by infusion_id order by started_at, ended_at, channel) as rate_before
    from stretches
)

select
    n.facility, n.pump_id, n.channel,
    n.started_at as at,
    n.started_at as until_at,
    n.infusion_id, n.care_area, n.entry,
    greatest(n.rate_ml_h / n.rate_before, n.rate_before / n.rate_ml_h) as size,
    n.rate_before as before_value,
    n.rate_ml_h as after_value,
    'mL/h' as unit,
    case when n.rate_ml_h > n.rate_before then 'up' else 'down' end as detail,
    coalesce(n.evidence, [split_part(n.infusion_id, ':', 1)]) as evidence
from neighbours as n
cross join trace_settings as t
where
    n.rate_before > 0
    and n.rate_ml_h > 0
    and not n.by_others
    and cast(
        printf('%.5e', greatest(n.rate_ml_h / n.rate_before, n.rate_before / n.rate_ml_h)) as double
    ) >= t.step_factor
