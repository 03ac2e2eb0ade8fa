-- title: What a channel did just before and just after a moment
-- grain: one channel and one moment at which something was logged that asks for it
-- why: whether it ran decides what became of an attempt, and what an alarm stopped
with pieces as (
    select
        c.watch_no, s.infusion_id, s.library_use, s.state,
        epoch_us(s.started_at) as from_us,
        epoch_us(s.ended_at) as to_us
    from segments as s
    inner join watch_channels as c
        on s.facility = c.facility and s.pump_id = c.pump_id and s.channel = c.channel
    qualify
        row_number() over (
            partition by c.watch_no, s.started_at order by s.ended_at desc, s.infusion_id
        ) = 1
),

asked as (
    select distinct watch_no, at_us
    from watch_log
    where
        is_alert or switched_off or patient_turned
        or kind in (
            'limit_overridden', 'reprogrammed_within_limits', 'attempt_cancelled', 'library_bypassed', 'key_pressed',
            'care_area_selected', 'weight_changed', 'infusion_started', 'infusion_resumed', 'rate_changed',
            'programme_changed', 'bolus_started', 'infusion_paused', 'infusion_stopped', 'alarm_raised', 'alarm_updated'
        )
),

line as (
    select watch_no, at_us, true as is_asked, cast(null as bigint) as from_us
    from asked
    union all
    select watch_no, from_us as at_us, false as is_asked, from_us
    from pieces
),

placed as (
    select
        watch_no, at_us, is_asked,
        max(from_us) over (
            partition by watch_no order by at_us range between unbounded preceding and 1 preceding
        ) as before_from_us,
        max(from_us) over (
            partition by watch_no order by at_us range between unbounded preceding and current row
        ) as after_from_us
    from line
)

select
    p.watch_no, p.at_us,
    b.infusion_id as infusion_before,
    b.state as state_before,
    a.infusion_id as infusion_after,
    a.library_use as use_after,
    -- null: the state is unknown, so nobody can say
    case
        when b.state is null then false
        when b.state <> 'unknown' then b.state in ('running', 'bolus', 'keep_open')
    end as ran_before,
    case
        when a.state is null then false
        when a.state <> 'unknown' then a.state in ('running', 'bolus', 'keep_open')
    end as ran_after
from placed as p
left join pieces as b
    on
        p.watch_no = b.watch_no and p.before_from_us = b.from_us
        and p.at_us <= b.to_us
left join pieces as a
    on
        p.watch_no = a.watch_no and p.after_from_us = a.from_us
        and p.at_us < a.to_us
where p.is_asked
