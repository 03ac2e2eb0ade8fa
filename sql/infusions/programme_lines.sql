-- title: The rows of each line of a channel: the secondary, and all else
-- grain: one event on one line of a channel; power-off stands on both, once as mine
-- order: line_place
-- why: a secondary takes over nothing from its primary, and the primary finds its own values again (ruling 19); care
-- area, weight and a bypass that waits are the channel's
with told as (
    select
        *,
        coalesce(lag(watch_no) over () <> watch_no, true) as is_first,
        coalesce(begins_as = 'missing', false) or bypasses_now
        or kind in ('infusion_started', 'infusion_resumed', 'rate_changed', 'programme_changed') as programmes,
        case when may_hold then care_area end as area_told,
        case when may_hold then weight_kg end as weight_told
    from programme_rows
),

held as (
    select
        *,
        arg_max_null(area_told, watch_place) filter (where is_first or switched_off or area_told is not null)
            over so_far
            as area_now,
        arg_max_null(weight_told, watch_place) filter (where is_first or switched_off or weight_told is not null)
            over so_far
            as weight_now,
        arg_max_null(not programmes and kind = 'library_bypassed', watch_place)
        filter (where is_first or programmes or kind = 'library_bypassed' or switched_off)
            over so_far
            as waits
    from told
    window so_far as (rows between unbounded preceding and current row)
),

befores as (
    select
        * exclude (waits, area_told, weight_told, is_first),
        case when not is_first then lag(area_now) over () end as area_was,
        case when not is_first then lag(weight_now) over () end as weight_was,
        not is_first and coalesce(lag(waits) over (), false) as bypass_waits
    from held
),

named as (
    select
        * exclude (bypass_waits),
        bypasses_now
        or (
            programmes
            and (library_use is null or (library_use = 'unknown' and entry is null))
            and (kind = 'library_bypassed' or (bypass_waits and not switched_off))
        ) as bypasses
    from befores
),

lined as (
    select *, true as mine
    from named
    union all
    select * replace (1 - line as line, false as programmes, false as bypasses), false as mine
    from named
    where
        switched_off
        and watch_no in (
            select r.watch_no
            from programme_rows as r
            where r.line = 1
        )
)

select
    *,
    -- one number a row of all lines, rising with the order inside each
    (2 * watch_no + line) * 68719476736 + place as line_place,
    case when bypasses then 'bypassed' when programmes then nullif(library_use, 'unknown') end as use_told,
    coalesce(programmes and library_use = 'unknown' and not bypasses, false) as says_unknown
from lined
order by line_place
