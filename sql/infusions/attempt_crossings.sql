-- title: Whether what an attempt ended with lies outside each limit that holds
-- grain: one limit of one attempt
-- needs: attempt_sessions
-- why: equal to the limit is inside, compared to six digits in its unit; else the log's decision (rulings 33, 48)
with converted as (
    select
        l.*,
        v.decision,
        case
            when coalesce(v.unit, '') = coalesce(l.limit_unit, '') then v.final_value
            when
                a.dimension = t.dimension and a.per_kg = t.per_kg and a.per_m2 = t.per_m2
                and (a.per_time_s is null) = (t.per_time_s is null)
                and (a.per_volume_ml is null) = (t.per_volume_ml is null)
                then
                    v.final_value * a.factor / coalesce(a.per_time_s, 1.0) / coalesce(a.per_volume_ml, 1.0)
                    / (t.factor / coalesce(t.per_time_s, 1.0) / coalesce(t.per_volume_ml, 1.0))
        end as final_value
    from attempt_limits as l
    inner join attempt_verdicts as v
        on
            l.watch_no = v.watch_no and l.session = v.session
            and l.quantity = v.quantity
    left join units as a on v.unit = a.code
    left join units as t on l.limit_unit = t.code
),

rounded as (
    select
        *,
        cast(printf('%.5e', final_value) as double) as value_6,
        cast(printf('%.5e', limit_value) as double) as limit_6
    from converted
)

select
    watch_no, session, place, limit_kind, limit_side, limit_quantity, quantity, limit_value, limit_unit,
    final_value,
    coalesce(
        case limit_side when 'high' then value_6 > limit_6 when 'low' then value_6 < limit_6 end,
        decision = 'overridden'
    ) as is_outside,
    case
        when limit_side = 'high' and limit_value <> 0 and value_6 >= limit_6 then final_value / limit_value
        when limit_side = 'low' and final_value <> 0 and limit_6 >= value_6 then limit_value / final_value
    end as times_limit
from rounded
