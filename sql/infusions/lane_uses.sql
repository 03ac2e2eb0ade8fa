-- title: The library use that each row of a lane tells, and the last one known before it
-- grain: one row of the lane's log
-- order: place
-- why: whether a row of unknown use goes on under the use in force is seen where infusions continue
with seen as (
    select
        *,
        arg_max_null(use_told, place) filter (where is_first or use_told is not null) over so_far as use_seen,
        arg_max_null(says_unknown, place) filter (where is_first or says_unknown or use_told is not null) over so_far
            as unsure_seen
    from lane_told
    window so_far as (rows between unbounded preceding and current row)
),

held as (
    select
        * exclude (use_seen, unsure_seen),
        case when not is_first then lag(use_seen) over () end as use_known,
        not is_first and coalesce(lag(unsure_seen) over (), false) as is_unsure
    from seen
)

select
    * exclude (bypasses, is_unsure, library_use),
    -- an unknown use clears only what a bypass had named, and a bypass whatever an unknown use had
    sign in ('off', 'on') or bypasses
    or case
        when says_unknown then coalesce(use_known = 'bypassed', false) and not is_unsure
        when is_unsure
            then coalesce(use_told = 'bypassed' or (use_known <> 'bypassed' and use_told <> use_known), false)
        else coalesce(use_told <> use_known, false)
    end as clears
from held
