-- title: The library use in force on a lane
-- grain: one row of the lane's log
-- why: a bypass acts at once only with a rate on a running channel, else with the next confirmed start or change (ruling 10)
with befores as (
    select *, coalesce(lag(state) over in_lane, 'closed') as state_before
    from lane_live
    window in_lane as (partition by facility, pump_id, channel, lane order by place)
),

signs as (
    select
        *,
        mine and sign = 'bypass' and rate_ml_h is not null and state_before in ('running', 'bolus') as bypasses_now,
        (mine and sign in ('start', 'delayed', 'change', 'programme')) or opens or opens_late as confirms
    from befores
),

pending as (
    select
        *,
        confirms and library_use is null
        and coalesce(
            max(case when mine and sign = 'bypass' and not bypasses_now then place end) over before
            > coalesce(max(case when confirms or bypasses_now or sign in ('off', 'on') then place end) over before, 0),
            false
        ) as bypass_arrives
    from signs
    window before as (
        partition by facility, pump_id, channel, lane order by place
        rows between unbounded preceding and 1 preceding
    )
),

named as (
    select
        *,
        case
            when bypasses_now or bypass_arrives then 'bypassed'
            when confirms then library_use
        end as use_told
    from pending
),

held as (
    select
        *,
        last_value(use_told ignore nulls) over here as use_here,
        last_value(use_told ignore nulls) over before as use_before
    from named
    window
        here as (
            partition by facility, pump_id, channel, lane order by place
            rows between unbounded preceding and current row
        ),
        before as (
            partition by facility, pump_id, channel, lane order by place
            rows between unbounded preceding and 1 preceding
        )
)

select
    * exclude (library_use, use_told, use_before, bypass_arrives),
    sign in ('off', 'on') or bypasses_now or bypass_arrives or coalesce(use_here <> use_before, false) as clears
from held
