-- title: What the channels that an alarm concerns did just before it
-- grain: alarm raised in one of the months, channel; an alarm of the whole pump concerns every channel of it
-- why: a delivery alarm counts where the channel was running, in a bolus or kept open (ruling 50)
with channels as (
    select distinct
        facility,
        pump_id,
        channel
    from segments
),

concerned as (
    select
        a.alarm_id,
        a.facility,
        a.pump_id,
        c.channel,
        a.raised_at
    from alarms as a
    inner join channels as c
        on
            a.facility = c.facility
            and a.pump_id = c.pump_id
            and (a.channel = c.channel or a.channel = '')
    inner join month_span as p
        on a.raised_at >= p.begins_at and a.raised_at < p.ends_at
),

-- of what began before the months only each channel's last can be what an alarm in them finds
recent as (
    select s.*
    from segments as s
    inner join month_span as p
        on s.started_at >= p.begins_at and s.started_at < p.ends_at
    union all
    select unnest(f.before)
    from (
        select max_by(s, {'started_at': s.started_at, 'ended_at': s.ended_at}) as before
        from segments as s
        inner join month_span as p
            on s.started_at < p.begins_at
        group by s.facility, s.pump_id, s.channel
    ) as f
),

-- what begins at the very moment of the alarm was not there just before it
mixed as (
    select
        facility,
        pump_id,
        channel,
        started_at as happens_at,
        1 as place,
        '' as alarm_id,
        {
            'runs': state in ('running', 'bolus', 'keep_open'), 'ended_at': ended_at, 'infusion_id': infusion_id,
            'entry': entry
        } as stretch
    from recent
    union all
    select
        facility,
        pump_id,
        channel,
        raised_at as happens_at,
        0 as place,
        alarm_id,
        null as stretch
    from concerned
),

-- alarms of one instant find the same stretch, whichever comes first
followed as (
    select
        alarm_id,
        channel,
        happens_at,
        last_value(stretch ignore nulls) over (
            partition by facility, pump_id, channel
            order by happens_at, place, stretch.ended_at
            rows between unbounded preceding and current row
        ) as before
    from mixed
)

select
    alarm_id,
    channel,
    before.infusion_id as infusion_id,
    before.entry as entry,
    coalesce(
        before.ended_at >= happens_at and before.runs, false
    ) as was_running
from followed
where alarm_id <> ''
