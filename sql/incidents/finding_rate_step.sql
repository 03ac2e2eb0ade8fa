-- title: Rates, or doses where no rate is known, that became many times larger or smaller while the infusion ran
-- grain: one change
-- note: from one running stretch of an infusion to the next, whatever lies between; what the pump or an order changed
-- is none. A change that is the last thing seen before a lost stop has no rate in its stretch: the event tells it.
-- Doses are compared only in one unit, and only where the log gives no rate for one of the two stretches.
-- Of stretches on both sides of a clock that was set back the order is that of the pump's numbers
with told as (
    select
        facility, pump_id, channel, clock_run, occurred_at,
        max_by(rate_ml_h, {'sequence': coalesce(sequence, 0), 'id': event_id}) as rate_ml_h,
        max_by(dose_value, {'sequence': coalesce(sequence, 0), 'id': event_id}) as dose_value,
        max_by(dose_unit, {'sequence': coalesce(sequence, 0), 'id': event_id}) as dose_unit,
        list(event_id order by event_id) as evidence,
        bool_or(coalesce(initiator in ('pump', 'order'), false)) as by_others
    from trace_order
    where
        kind in ('rate_changed', 'programme_changed', 'infusion_started', 'infusion_resumed')
        and (rate_ml_h is not null or dose_value is not null)
    group by facility, pump_id, channel, clock_run, occurred_at
),

stretches as (
    select
        s.infusion_id, s.facility, s.pump_id, s.channel, s.clock_run, s.started_at, s.ended_at, s.care_area,
        s.entry,
        coalesce(s.rate_ml_h, t.rate_ml_h) as rate_ml_h,
        coalesce(s.dose_value, t.dose_value) as dose_value,
        case when s.dose_value is null then t.dose_unit else s.dose_unit end as dose_unit,
        -- one that was told in a pause counts from where it runs on
        case when t.facility is not null then t.evidence when l.rate_ml_h = s.rate_ml_h then l.evidence end
            as evidence,
        coalesce(
            case when t.facility is not null then t.by_others when l.rate_ml_h = s.rate_ml_h then l.by_others end,
            false
        ) as by_others
    from trace_segments as s
    left join told as t
        on
            s.facility = t.facility and s.pump_id = t.pump_id and s.channel = t.channel
            and s.clock_run = t.clock_run and s.started_at = t.occurred_at
    asof left join told as l
        on
            s.facility = l.facility and s.pump_id = l.pump_id and s.channel = l.channel
            and s.clock_run = l.clock_run and s.started_at >= l.occurred_at
    where s.state = 'running' or (s.state = 'unknown' and t.facility is not null)
),

neighbours as (
    select
        *,
        lag(rate_ml_h) over in_order as rate_before,
        lag(dose_value) over in_order as dose_before,
        lag(dose_unit) over in_order as unit_before
    from stretches
    window in_order as (partition by infusion_id order by clock_run, started_at, ended_at, channel)
),

compared as (
    select
        * exclude (rate_ml_h, rate_before, dose_value, dose_before, dose_unit, unit_before),
        coalesce(rate_before > 0 and rate_ml_h > 0, false) as by_rate,
        case when by_rate then rate_before when dose_unit = unit_before then dose_before end as before_value,
        case when by_rate then rate_ml_h when dose_unit = unit_before then dose_value end as after_value,
        case when by_rate then 'mL/h' else dose_unit end as unit
    from neighbours
    -- a rate of nothing is a stop, whatever dose stands beside it
    where coalesce(rate_before, 1) > 0 and coalesce(rate_ml_h, 1) > 0
)

select
    n.facility, n.pump_id, n.channel,
    n.started_at as at,
    n.started_at as until_at,
    n.infusion_id, n.care_area, n.entry,
    greatest(n.after_value / n.before_value, n.before_value / n.after_value) as size,
    n.before_value,
    n.after_value,
    n.unit,
    case when n.after_value > n.before_value then 'up' else 'down' end as detail,
    coalesce(n.evidence, [split_part(n.infusion_id, ':', 1)]) as evidence
from compared as n
cross join trace_settings as t
where
    n.before_value > 0
    and n.after_value > 0
    and not n.by_others
    and cast(
        printf('%.5e', greatest(n.after_value / n.before_value, n.before_value / n.after_value)) as double
    ) >= t.step_factor
