-- title: Entries that nobody used in the twelve months before the end, and limits that never fired
-- grain: one entry of one care area, or one of its limits
-- why: what is not used can be mistaken for what is; a limit that never fires may stand where nothing is ever typed,
-- and that may be what it is for. With a shorter log the months that it covers are named
with ends as (
    select
        s.ends_at,
        s.ends_at - interval 12 month as since_at,
        (select min(started_at) from infusions) as log_begins_at
    from library_span as s
),

used as (
    select
        coalesce(i.care_area, 'none selected') as care_area,
        i.entry,
        count(*) as infusions
    from infusions as i
    cross join ends as e
    where i.started_at >= e.since_at and i.started_at < e.ends_at and i.entry is not null
    group by coalesce(i.care_area, 'none selected'), i.entry
),

fired as (
    select
        a.care_area, a.entry, a.limit_quantity, a.limit_side,
        max(case when a.met_soft then 1 else 0 end) = 1 as soft_fired,
        max(case when a.met_hard then 1 else 0 end) = 1 as hard_fired
    from library_attempts as a
    cross join ends as e
    where a.first_alert_at >= e.since_at
    group by a.care_area, a.entry, a.limit_quantity, a.limit_side
),

entries as (
    select care_area, entry, min(row_no) as row_no
    from current_rows
    group by care_area, entry
),

limits as (
    select care_area, entry, limit_quantity, 'hard_low' as limit_name, hard_low as limit_value, limit_unit, row_no
    from current_rows
    union all
    select care_area, entry, limit_quantity, 'soft_low' as limit_name, soft_low as limit_value, limit_unit, row_no
    from current_rows
    union all
    select care_area, entry, limit_quantity, 'soft_high' as limit_name, soft_high as limit_value, limit_unit, row_no
    from current_rows
    union all
    select care_area, entry, limit_quantity, 'hard_high' as limit_name, hard_high as limit_value, limit_unit, row_no
    from current_rows
),

found as (
    select
        'entry_not_used' as what, n.care_area, n.entry, '' as limit_quantity, '' as limit_name,
        cast(null as double) as limit_value, '' as limit_unit, cast(0 as bigint) as infusions, n.row_no
    from entries as n
    left join used as u
        on n.care_area = u.care_area and n.entry = u.entry
    where u.entry is null
    union all
    select
        'limit_never_fired' as what, l.care_area, l.entry, l.limit_quantity, l.limit_name, l.limit_value, l.limit_unit,
        u.infusions, l.row_no
    from limits as l
    inner join used as u
        on l.care_area = u.care_area and l.entry = u.entry
    left join fired as f
        on
            l.care_area = f.care_area and l.entry = f.entry and l.limit_quantity = f.limit_quantity
            and f.limit_side = split_part(l.limit_name, '_', 2)
            and case when l.limit_name like 'soft%' then f.soft_fired else f.hard_fired end
    where l.limit_value is not null and f.entry is null
)

select
    f.what, f.care_area, f.entry, f.limit_quantity, f.limit_name, f.limit_value, f.limit_unit, f.infusions,
    cast(timezone(s.zone, greatest(e.since_at, e.log_begins_at)) as date) as looked_at_since
from found as f
cross join ends as e
cross join library_span as s
order by f.what, f.care_area, f.entry, f.limit_quantity, f.row_no, f.limit_name
