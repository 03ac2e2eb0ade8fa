-- title: Stretches with the run of the pump's clock in which each stands
-- grain: one stretch
-- note: a clock that is set back shows the same times twice; which of them a stretch began at, the event with which it
-- began tells, of several at that time the one that told its rate
with runs as (
    select
        facility, pump_id, clock_run,
        min(occurred_at) as first_at,
        max(occurred_at) as last_at
    from trace_order
    group by facility, pump_id, clock_run
),

begun as (
    select
        s.infusion_id, s.channel, s.started_at, s.ended_at, s.rate_ml_h,
        min_by(o.clock_run, {'other': coalesce(o.rate_ml_h <> s.rate_ml_h, true), 'place': o.place}) as clock_run
    from segments as s
    inner join trace_order as o
        on
            s.facility = o.facility and s.pump_id = o.pump_id and s.started_at = o.occurred_at
            and (s.channel = o.channel or o.channel = '')
    group by all
),

around as (
    select
        s.infusion_id, s.channel, s.started_at, s.ended_at, s.rate_ml_h,
        min(r.clock_run) as clock_run
    from segments as s
    inner join runs as r
        on
            s.facility = r.facility and s.pump_id = r.pump_id
            and s.started_at >= r.first_at and s.ended_at <= r.last_at
    group by all
)

select
    s.*,
    coalesce(b.clock_run, a.clock_run, 0) as clock_run
from segments as s
left join begun as b
    on
        s.infusion_id = b.infusion_id and s.channel = b.channel and s.started_at = b.started_at
        and s.ended_at = b.ended_at and s.rate_ml_h is not distinct from b.rate_ml_h
left join around as a
    on
        s.infusion_id = a.infusion_id and s.channel = a.channel and s.started_at = a.started_at
        and s.ended_at = a.ended_at and s.rate_ml_h is not distinct from a.rate_ml_h
