-- title: Programmings and limit alerts of the entry that stand on no curve, and why
-- grain: reason
-- why: what cannot be judged under one row would only make a rate look smaller
with told as (
    select
        programming_id,
        max(case when row_no is not null then 1 else 0 end) = 1 as is_judged,
        arg_min(left_out, {'warned': origin = 'alert', 'key': value_key}) as reason
    from curve_values
    group by programming_id
),

here as (
    select p.programming_id, p.can_log, l.limit_quantity
    from library_programmings as p
    inner join curve_place as l
        on p.care_area = l.care_area and p.entry = l.entry
),

found as (
    select
        case
            when not h.can_log then 'of a source that cannot log limit alerts'
            else coalesce(t.reason, 'sets no ' || h.limit_quantity)
        end as reason,
        1 as programmings,
        0 as limit_alerts
    from here as h
    left join told as t
        on h.programming_id = t.programming_id
    where not (h.can_log and coalesce(t.is_judged, false))
    union all
    select left_out as reason, 0 as programmings, 1 as limit_alerts
    from curve_values
    where origin = 'alert' and row_no is null
)

select
    reason,
    cast(sum(programmings) as bigint) as programmings,
    cast(sum(limit_alerts) as bigint) as limit_alerts
from found
group by reason
order by programmings desc, limit_alerts desc, reason
