-- title: The library use in force on a lane
-- grain: one row of the lane's log
-- why: a bypass acts at once only with a rate on a running channel, else with the next start or change (ruling 10)
with befores as (
    select
        v.lane_no, v.place, v.sign, v.mine, v.opens, v.opens_late, v.state,
        l.library_use, l.rate_ml_h,
        not v.mine and l.kind = 'library_bypassed' as is_elsewhere,
        coalesce(lag(v.state) over in_lane, 'closed') as state_before
    from lane_live as v
    inner join lane_log as l on v.place = l.place
    window in_lane as (partition by v.lane_no order by v.place)
),

signs as (
    select
        *,
        mine and sign = 'bypass' and rate_ml_h is not null and state_before in ('running', 'bolus') as bypasses_now,
        (mine and sign in ('start', 'delayed', 'change', 'programme')) or opens or opens_late as confirms
    from befores
),

sided as (
    select
        s.*,
        -- a bypass that waits is for the next start of the channel, whichever its line (ruling 10)
        s.is_elsewhere and not coalesce(o.bypasses_now, false) as waits_elsewhere
    from signs as s
    left join signs as o
        on
            s.is_elsewhere and o.mine and o.sign = 'bypass'
            and o.place = s.place + case when s.lane_no % 2 = 0 then 68719476736 else -68719476736 end
),

pending as (
    select
        *,
        confirms and library_use is null
        and coalesce(
            last_value(
                case when waits_elsewhere or (mine and sign = 'bypass' and not bypasses_now) then place end ignore nulls
            ) over before
            > coalesce(
                last_value(
                    case when confirms or bypasses_now or sign in ('off', 'on', 'other_lane') then place end
                    ignore nulls
                ) over before,
                0
            ),
            false
        ) as bypass_arrives
    from sided
    window before as (
        partition by lane_no order by place
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
            partition by lane_no order by place
            rows between unbounded preceding and current row
        ),
        before as (
            partition by lane_no order by place
            rows between unbounded preceding and 1 preceding
        )
)

select
    lane_no, place, state_before, confirms, bypasses_now, use_here,
    sign in ('off', 'on') or bypasses_now or bypass_arrives or coalesce(use_here <> use_before, false) as clears
from held
