-- title: What a channel did just before and just after a moment
-- grain: one channel and one moment at which something was logged that asks for it
-- why: whether it ran decides what became of an attempt, and what an alarm stopped
with pieces as (
    select
        c.watch_no, s.infusion_id, s.library_use,
        -- a clock set back can show two states of the same stretch of time: nobody can say which one it was
        case
            when min(s.state) over at_once = max(s.state) over at_once then s.state
            else 'unknown'
        end as state,
        epoch_us(s.started_at) as from_us,
        epoch_us(s.ended_at) as to_us
    from segments as s
    inner join watch_channels as c
        on s.facility = c.facility and s.pump_id = c.pump_id and s.channel = c.channel
    window at_once as (partition by c.watch_no, s.started_at, s.ended_at)
    qualify
        row_number() over (
            partition by c.watch_no, s.started_at
            order by s.ended_at desc, s.infusion_id, s.library_use, s.entry, s.rate_ml_h, s.state
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

placed as (
    select
        p.watch_no, p.at_us,
        case when p.at_us <= b.to_us then b.infusion_id end as infusion_before,
        case when p.at_us <= b.to_us then b.state end as state_before,
        case when p.at_us < a.to_us then a.infusion_id end as infusion_after,
        case when p.at_us < a.to_us then a.library_use end as use_after,
        case when p.at_us < a.to_us then a.state end as state_after
    from asked as p
    asof left join pieces as b on p.watch_no = b.watch_no and p.at_us > b.from_us
    asof left join pieces as a on p.watch_no = a.watch_no and p.at_us >= a.from_us
)

select
    * exclude (state_after),
    -- null: the state is unknown, so nobody can say
    case
        when state_before is null then false
        when state_before <> 'unknown' then state_before in ('running', 'bolus', 'keep_open')
    end as ran_before,
    case
        when state_after is null then false
        when state_after <> 'unknown' then state_after in ('running', 'bolus', 'keep_open')
    end as ran_after
from placed
