-- title: The values in force on a channel before and after each row
-- grain: one event on one channel
-- why: what was confirmed is compared with what held on its line; null is not logged, so the last value holds
-- (rulings 13, 19)
with told as (
    select
        *,
        tells_rate and rate_ml_h is not null and dose_value is not null as tells_both,
        tells_rate and rate_ml_h is not null and dose_value is null as tells_rate_only,
        tells_rate and rate_ml_h is null and dose_value is not null as tells_dose_only,
        case when programmes then entry end as entry_told,
        case when programmes then concentration_value end as concentration_told,
        printf('%.5e', rate_ml_h) as rate_text,
        printf('%.5e', dose_value) as dose_text
    from programme_marks
),

pairs as (
    select
        *,
        max(line_place) filter (where tells_both) over so_far as pair_place_seen,
        arg_max(rate_text, line_place) filter (where tells_both) over so_far as pair_rate_seen,
        arg_max(dose_value, line_place) filter (where tells_both) over so_far as pair_dose_seen,
        arg_max_null(dose_unit, line_place) filter (where tells_both) over so_far as pair_unit_seen,
        arg_max_null(dose_shape, line_place) filter (where tells_both) over so_far as pair_shape_seen,
        arg_max_null(dose_factor, line_place) filter (where tells_both) over so_far as pair_factor_seen
    from told
    window so_far as (rows between unbounded preceding and current row)
),

based as (
    select
        * exclude (
            pair_place_seen, pair_rate_seen, pair_dose_seen, pair_unit_seen, pair_shape_seen, pair_factor_seen
        ),
        -- the lines follow one another: what was last seen below this place was seen on another one
        line_place // 68719476736 * 68719476736 as floor_place,
        lag(pair_place_seen) over () as pair_place,
        lag(pair_rate_seen) over () as pair_rate,
        lag(pair_dose_seen) over () as pair_dose,
        lag(pair_unit_seen) over () as pair_unit,
        lag(pair_shape_seen) over () as pair_shape,
        lag(pair_factor_seen) over () as pair_factor
    from pairs
),

compared as (
    select
        *,
        coalesce(pair_place > floor_place and rate_text = pair_rate, false) as same_rate,
        coalesce(
            pair_place > floor_place
            and dose_text = printf(
                '%.5e',
                case
                    when coalesce(dose_unit, '') = coalesce(pair_unit, '') then pair_dose
                    when dose_shape = pair_shape then pair_dose * pair_factor / dose_factor
                end
            ),
            false
        ) as same_dose
    from based
),

parted as (
    select
        *,
        max(line_place) filter (
            where not tells_both
            and (clears or (tells_rate_only and not same_rate) or (tells_dose_only and not same_dose))
        ) over so_far as parted_place
    from compared
    window so_far as (rows between unbounded preceding and current row)
),

joined as (
    select
        *,
        -- rate and dose that were told together hold together until one of them is told anew with another value
        coalesce(pair_place > greatest(lag(parted_place) over (), floor_place), false) as pair_holds
    from parted
),

telling as (
    select
        *,
        clears or entry_told is not null as sets_entry,
        clears or concentration_told is not null as sets_concentration,
        (tells_rate and rate_ml_h is not null)
        or (tells_dose_only and not (pair_holds and same_dose and not clears)) as sets_rate,
        (tells_rate and dose_value is not null)
        or clears or (tells_rate_only and not (pair_holds and same_rate)) as sets_dose,
        tells_rate and dose_value is not null as names_dose,
        (tells_rate and volume_to_infuse_ml is not null) or switched_off as sets_volume,
        (tells_rate and programmed_duration_s is not null) or switched_off as sets_duration,
        kind in ('infusion_completed', 'kvo_started') as completes,
        kind in ('infusion_started', 'infusion_resumed', 'infusion_paused') as uncompletes
    from joined
),

valued as (
    select
        *,
        arg_max_null(entry_told, line_place) filter (where is_first or sets_entry) over so_far as entry_now,
        arg_max_null(concentration_told, line_place) filter (where is_first or sets_concentration) over so_far
            as concentration_now,
        arg_max_null(case when concentration_told is not null then concentration_unit end, line_place)
        filter (where is_first or sets_concentration)
            over so_far
            as concentration_unit_now,
        arg_max_null(case when tells_rate then rate_ml_h end, line_place) filter (where is_first or sets_rate)
            over so_far
            as rate_now,
        arg_max_null(case when names_dose then dose_value end, line_place) filter (where is_first or sets_dose)
            over so_far
            as dose_now,
        arg_max_null(case when names_dose then dose_unit end, line_place) filter (where is_first or sets_dose)
            over so_far
            as dose_unit_now,
        arg_max_null(case when names_dose then dose_shape end, line_place) filter (where is_first or sets_dose)
            over so_far
            as dose_shape_now,
        arg_max_null(case when names_dose then dose_factor end, line_place) filter (where is_first or sets_dose)
            over so_far
            as dose_factor_now,
        arg_max_null(case when tells_rate then volume_to_infuse_ml end, line_place)
        filter (where is_first or sets_volume)
            over so_far
            as volume_now,
        arg_max_null(case when tells_rate then programmed_duration_s end, line_place)
        filter (where is_first or sets_duration)
            over so_far
            as duration_now,
        arg_max_null(completes, line_place) filter (where is_first or completes or uncompletes)
            over so_far
            as completed
    from telling
    window so_far as (rows between unbounded preceding and current row)
),

stepped as (
    select
        *,
        case when not is_first then lag(use_here) over () end as use_was,
        case when not is_first then lag(entry_now) over () end as entry_was,
        case when not is_first then lag(concentration_now) over () end as concentration_was,
        case when not is_first then lag(concentration_unit_now) over () end as concentration_unit_was,
        case when not is_first then lag(rate_now) over () end as rate_was,
        case when not is_first then lag(dose_now) over () end as dose_was,
        case when not is_first then lag(dose_unit_now) over () end as dose_unit_was,
        case when not is_first then lag(dose_shape_now) over () end as dose_shape_was,
        case when not is_first then lag(dose_factor_now) over () end as dose_factor_was,
        case when not is_first then lag(volume_now) over () end as volume_was,
        case when not is_first then lag(duration_now) over () end as duration_was,
        not is_first and coalesce(lag(completed) over (), false) as was_completed
    from valued
)

select
    watch_no, place, line, begins_infusion, begins_as, begins_under, begins_us, was_completed,
    {
        'library_use': use_here,
        'entry': entry_now,
        'concentration': {'value': concentration_now, 'unit': concentration_unit_now},
        'rate_ml_h': rate_now,
        'dose': {'value': dose_now, 'unit': dose_unit_now, 'shape': dose_shape_now, 'factor': dose_factor_now},
        'volume_ml': volume_now,
        'duration_s': duration_now,
        'care_area': area_now,
        'weight_kg': weight_now
    } as now,
    {
        'library_use': use_was,
        'entry': entry_was,
        'concentration': {'value': concentration_was, 'unit': concentration_unit_was},
        'rate_ml_h': rate_was,
        'dose': {'value': dose_was, 'unit': dose_unit_was, 'shape': dose_shape_was, 'factor': dose_factor_was},
        'volume_ml': volume_was,
        'duration_s': duration_was,
        'care_area': area_was,
        'weight_kg': weight_was
    } as was,
    -- whether a row programmes something new; a start that continues is judged by rate and dose alone
    coalesce(rate_text <> printf('%.5e', rate_was), rate_text is not null)
    or coalesce(
        dose_text <> printf(
            '%.5e',
            case
                when coalesce(dose_unit, '') = coalesce(dose_unit_was, '') then dose_was
                when dose_shape = dose_shape_was then dose_was * dose_factor_was / dose_factor
            end
        ),
        dose_text is not null
    )
    or (
        kind not in ('infusion_started', 'infusion_resumed')
        and (
            coalesce(
                printf('%.5e', volume_to_infuse_ml) <> printf('%.5e', volume_was), volume_to_infuse_ml is not null
            )
            or coalesce(
                printf('%.5e', programmed_duration_s) <> printf('%.5e', duration_was),
                programmed_duration_s is not null
            )
        )
    ) as is_new_value
from stepped
where mine
