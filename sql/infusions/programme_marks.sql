-- title: Which rows set the programme of a channel's line, and under which library use
-- grain: one event on one line of a channel; power-off stands on both, once as mine
-- order: line_place
-- why: only confirmed rows, and the row that opens an infusion in mid-delivery, set what holds (rulings 3, 10, 13)
with told as (
    select
        *,
        coalesce(lag(line_place) over () // 68719476736 <> line_place // 68719476736, true) as is_first,
        case when says_unknown and not keeps_use then 'unknown' else use_told end as use_set
    from programme_lines
),

held as (
    select
        *,
        arg_max_null(use_set, line_place) filter (where is_first or use_set is not null) over so_far as use_here,
        arg_max_null(use_told, line_place) filter (where is_first or use_told is not null) over so_far as use_seen,
        arg_max_null(says_unknown, line_place) filter (where is_first or says_unknown or use_told is not null)
            over so_far
            as unsure_seen
    from told
    window so_far as (rows between unbounded preceding and current row)
),

befores as (
    select
        * exclude (use_set, use_seen, unsure_seen),
        case when not is_first then lag(use_seen) over () end as use_known,
        not is_first and coalesce(lag(unsure_seen) over (), false) as is_unsure
    from held
)

select
    * exclude (keeps_use, use_told, says_unknown, use_known, is_unsure, library_use, care_area, weight_kg, may_hold),
    programmes or kind = 'library_bypassed' as tells_rate,
    -- power-off and the other library use clear entry, concentration and dose (ruling 13); an unknown one clears only
    -- what a bypass had named, and a bypass whatever an unknown use had
    switched_off or bypasses
    or case
        when says_unknown then coalesce(use_known = 'bypassed', false) and not is_unsure
        when is_unsure
            then coalesce(use_told = 'bypassed' or (use_known <> 'bypassed' and use_told <> use_known), false)
        else coalesce(use_told <> use_known, false)
    end as clears
from befores
