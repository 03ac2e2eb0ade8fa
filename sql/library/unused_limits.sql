-- title: Each limit of the library in force: how often it was in use, and whether it warned
-- grain: one limit of one row
-- why: a limit is in use where a start may fall under its row, in a library that held the same limit. An alert is its
-- own if kind, side, quantity, strength and weight agree, in such a library; what the log leaves open leaves it open
with limits as (
    select
        c.row_no, c.care_area, c.entry, c.limit_quantity, n.limit_name, c.limit_unit,
        c.strength_dimension, c.strength, c.weight_min_kg, c.weight_max_kg,
        count(*) over (partition by c.care_area, c.entry, c.limit_quantity, n.limit_name) = 1 as is_only,
        case n.limit_name
            when 'hard_low' then c.hard_low
            when 'soft_low' then c.soft_low
            when 'soft_high' then c.soft_high
            else c.hard_high
        end as limit_value
    from current_rows as c
    cross join (select unnest(['hard_low', 'soft_low', 'soft_high', 'hard_high']) as limit_name) as n
),

in_use as (
    select
        l.row_no, l.limit_name,
        count(case when t.can_log then 1 end) as starts,
        count(case when not t.can_log then 1 end) as left_out_unable
    from limits as l
    inner join unused_starts as t
        on
            l.care_area = t.care_area and l.entry = t.entry and t.is_start
            and (
                l.strength is null or t.strength is null
                or (l.strength = t.strength and l.strength_dimension = t.strength_dimension)
            )
            and coalesce(l.weight_min_kg <= t.weight_kg, true) and coalesce(l.weight_max_kg >= t.weight_kg, true)
    left join standing_limits as v
        on l.row_no = v.row_no and l.limit_name = v.limit_name and t.library_version = v.library_version
    where t.library_version is null or v.row_no is not null
    group by l.row_no, l.limit_name
),

alerts as (
    select
        a.care_area, a.entry, a.limit_kind, a.limit_side, a.limit_quantity, a.limit_value, a.limit_unit, a.weight_kg,
        a.library_version,
        u.dimension as strength_dimension,
        cast(printf('%.5e', a.concentration_value * u.factor / u.per_volume_ml) as double) as strength
    from placed_alerts as a
    inner join library_span as s
        on a.occurred_at >= s.ends_at - interval 12 month and a.occurred_at < s.ends_at
    left join units as u
        on a.concentration_unit = u.code and u.per_volume_ml is not null
),

-- certain: nothing that the limit asks is left open; another library's limit, strength, weight or kind is another limit
matched as (
    select
        l.row_no, l.limit_name,
        a.limit_kind is not null and a.limit_side is not null and a.limit_quantity is not null
        -- of a single row there is no other that it may have been
        and (l.is_only or l.strength is null or a.strength is not null)
        and (l.is_only or coalesce(l.weight_min_kg, l.weight_max_kg) is null or a.weight_kg is not null)
        and (
            v.row_no is not null
            or (l.limit_unit = a.limit_unit and printf('%.5e', l.limit_value) = printf('%.5e', a.limit_value))
        ) as is_certain
    from limits as l
    inner join alerts as a
        on
            l.care_area = a.care_area and l.entry = a.entry
            and coalesce(a.limit_kind, split_part(l.limit_name, '_', 1)) = split_part(l.limit_name, '_', 1)
            and coalesce(a.limit_side, split_part(l.limit_name, '_', 2)) = split_part(l.limit_name, '_', 2)
            and coalesce(a.limit_quantity, l.limit_quantity) = l.limit_quantity
            and (
                l.strength is null or a.strength is null
                or (l.strength = a.strength and l.strength_dimension = a.strength_dimension)
            )
            and coalesce(l.weight_min_kg <= a.weight_kg, true) and coalesce(l.weight_max_kg >= a.weight_kg, true)
    left join standing_limits as v
        on l.row_no = v.row_no and l.limit_name = v.limit_name and a.library_version = v.library_version
    where a.library_version is null or v.row_no is not null
),

fired as (
    select
        row_no, limit_name,
        count(case when is_certain then 1 end) as alerts_certain,
        count(case when not coalesce(is_certain, false) then 1 end) as alerts_open
    from matched
    group by row_no, limit_name
)

select
    l.row_no, l.limit_name, l.limit_value,
    coalesce(u.starts, 0) as starts,
    coalesce(u.left_out_unable, 0) as left_out_unable,
    coalesce(f.alerts_certain, 0) as alerts_certain,
    coalesce(f.alerts_open, 0) as alerts_open
from limits as l
left join in_use as u
    on l.row_no = u.row_no and l.limit_name = u.limit_name
left join fired as f
    on l.row_no = f.row_no and l.limit_name = f.limit_name
where l.limit_value is not null
