-- title: Entries and concentrations that nobody used in the twelve months before the end, and limits that never fired
-- grain: one entry of one care area, one of its concentrations, or one of its limits
-- why: what is not used can be mistaken for what is; a limit that never fires may stand where nothing is ever typed,
-- and that may be what it is for. With a shorter log the months that it covers are named
with entries as (
    select
        r.care_area, r.entry, r.concentration,
        min(r.row_no) as row_no,
        min(min(r.row_no)) over (partition by r.care_area, r.entry) as first_row_no,
        max(r.strength) as strength,
        max(r.strength_dimension) as strength_dimension
    from current_rows as r
    group by r.care_area, r.entry, r.concentration
),

used as (
    select
        e.care_area, e.entry, e.concentration, e.row_no, e.first_row_no,
        count(u.entry) as infusions,
        count(
            case
                when
                    e.strength is null or u.strength is null
                    or (e.strength = u.strength and e.strength_dimension = u.strength_dimension)
                    then u.entry
            end
        ) as infusions_at_it
    from entries as e
    left join unused_starts as u
        on e.care_area = u.care_area and e.entry = u.entry
    group by e.care_area, e.entry, e.concentration, e.row_no, e.first_row_no
),

found as (
    select
        'entry_not_used' as what, u.care_area, u.entry, '' as concentration, '' as weights, '' as limit_quantity,
        '' as limit_name, cast(null as double) as limit_value, '' as limit_unit, 0 as starts, 0 as left_out_unable,
        'no clinical infusion inside the library' as reason, u.row_no
    from used as u
    where u.infusions = 0 and u.row_no = u.first_row_no
    union all
    select
        'concentration_not_used' as what, u.care_area, u.entry, u.concentration, '' as weights, '' as limit_quantity,
        '' as limit_name, cast(null as double) as limit_value, '' as limit_unit, 0 as starts, 0 as left_out_unable,
        'the entry was used at other concentrations alone' as reason, u.row_no
    from used as u
    where u.infusions > 0 and u.infusions_at_it = 0
    union all
    select
        case when l.alerts_open > 0 or l.starts = 0 then 'cannot_be_told' else 'limit_never_fired' end as what,
        r.care_area, r.entry, r.concentration, r.weights, r.limit_quantity, l.limit_name, l.limit_value, r.limit_unit,
        l.starts, l.left_out_unable,
        case
            when l.alerts_open > 0 then 'an alert may be of this limit: the log leaves open which limit it met'
            when l.starts = 0 and l.left_out_unable > 0 then 'no start from a source that can log limit alerts'
            when l.starts = 0 then 'no start under a library that held this limit'
            else 'no alert in these starts'
        end as reason,
        l.row_no
    from unused_limits as l
    inner join current_rows as r
        on l.row_no = r.row_no
    inner join used as u
        on r.care_area = u.care_area and r.entry = u.entry and r.concentration = u.concentration
    where l.alerts_certain = 0 and u.infusions_at_it > 0
)

select
    f.what, f.care_area, f.entry, f.concentration, f.weights, f.limit_quantity, f.limit_name, f.limit_value,
    f.limit_unit, cast(f.starts as bigint) as starts, cast(f.left_out_unable as bigint) as left_out_unable, f.reason,
    cast(
        timezone(s.zone, greatest(s.ends_at - interval 12 month, (select min(started_at) from infusions))) as date
    ) as looked_at_since
from found as f
cross join library_span as s
order by f.what, f.care_area, f.entry, f.row_no, f.limit_quantity, f.limit_name
