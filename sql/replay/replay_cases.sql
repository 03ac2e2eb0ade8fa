-- title: Single alerts that would fall away or be new, and infusions that would have been blocked
-- grain: one recorded value; no clock time: area, day and minute would name the nurse on duty
with listed as (
    select *, change as what from replay_compared
    where change in ('falls_away', 'new', 'hardens', 'softens')
    union all
    select *, 'blocked' as what from replay_compared
    where would_be_blocked
),

dated as (
    select
        l.*,
        timezone(s.zone, l.happened_at) as local_at
    from listed as l
    cross join library_span as s
)

select
    what,
    origin,
    coalesce(attempt_id, programming_id) as case_id,
    cast(local_at as date) as happened_on,
    case
        when extract(hour from local_at) < 8 then '00-08'
        when extract(hour from local_at) < 16 then '08-16'
        else '16-24'
    end as shift,
    coalesce(care_area, 'none selected') as care_area,
    coalesce(entry, '') as entry,
    limit_quantity,
    coalesce(value, entered_value) as recorded_value,
    coalesce(limit_unit, entered_unit) as unit,
    trim(concat_ws(' ', logged_kind, logged_side)) as logged,
    logged_limit,
    entered_unit as logged_unit,
    verdict as proposed,
    crossed as proposed_limit,
    outcome,
    pump_id
from dated
order by what, happened_on, shift, care_area, entry, limit_quantity, value_key, origin
