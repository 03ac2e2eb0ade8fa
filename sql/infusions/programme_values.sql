-- title: The values in force on a channel before and after each row
-- grain: one event on one channel
-- why: what was confirmed is compared with what held on its line; null is not logged, so the last value holds
-- (rulings 13, 19)
with based as (
    select
        *,
        tells_rate and rate_ml_h is not null and dose_value is not null as tells_both,
        tells_rate and rate_ml_h is not null and dose_value is null as tells_rate_only,
        tells_rate and rate_ml_h is null and dose_value is not null as tells_dose_only,
        arg_max(
            case
                when tells_rate and rate_ml_h is not null and dose_value is not null
                    then {
                        'place': place, 'rate': rate_ml_h, 'dose': dose_value, 'unit': dose_unit, 'shape': dose_shape,
                        'factor': dose_factor
                    }
            end,
            place
        ) over (
            partition by watch_no, line order by place rows between unbounded preceding and 1 preceding
        ) as pair
    from programme_marks
),

compared as (
    select
        *,
        coalesce(printf('%.5e', rate_ml_h) = printf('%.5e', pair.rate), false) as same_rate,
        coalesce(
            printf('%.5e', dose_value) = printf(
                '%.5e',
                case
                    when coalesce(dose_unit, '') = coalesce(pair.unit, '') then pair.dose
                    when dose_shape = pair.shape then pair.dose * pair.factor / dose_factor
                end
            ),
            false
        ) as same_dose
    from based
),

joined as (
    select
        *,
        -- rate and dose that were told together hold together until one of them is told anew with another value
        coalesce(
            pair.place > coalesce(
                max(
                    case
                        when
                            not tells_both
                            and (clears or (tells_rate_only and not same_rate) or (tells_dose_only and not same_dose))
                            then place
                    end
                ) over (
                    partition by watch_no, line order by place
                    rows between unbounded preceding and 1 preceding
                ),
                0
            ),
            false
        ) as pair_holds
    from compared
),

valued as (
    select
        watch_no, place, line, mine, kind, begins_infusion, begins_as, begins_under, begins_us, rate_ml_h, dose_value,
        dose_unit, dose_shape, dose_factor, volume_to_infuse_ml, programmed_duration_s,
        -- these two hold for the channel, whichever line infuses
        (arg_max(
            case
                when switched_off or (may_hold and care_area is not null)
                    then {'v': case when may_hold then care_area end}
            end,
            place
        ) over channel_here).v as area_now,
        (arg_max(
            case
                when switched_off or (may_hold and weight_kg is not null)
                    then {'v': case when may_hold then weight_kg end}
            end,
            place
        ) over channel_here).v as weight_now,
        {
            'library_use': use_here,
            'entry': (arg_max(
                case
                    when clears or (programmes and entry is not null) then {'v': case when programmes then entry end}
                end,
                place
            ) over here).v,
            'concentration': arg_max(
                case
                    when clears or (programmes and concentration_value is not null)
                        then {
                            'value': case when programmes then concentration_value end,
                            'unit': case when programmes then concentration_unit end
                        }
                end,
                place
            ) over here,
            'rate_ml_h': (arg_max(
                case
                    when tells_rate and rate_ml_h is not null then {'v': rate_ml_h}
                    when tells_dose_only and not (pair_holds and same_dose and not clears)
                        then {'v': cast(null as double)}
                end,
                place
            ) over here).v,
            'dose': arg_max(
                case
                    when tells_rate and dose_value is not null
                        then {'value': dose_value, 'unit': dose_unit, 'shape': dose_shape, 'factor': dose_factor}
                    when clears or (tells_rate_only and not (pair_holds and same_rate))
                        then {
                            'value': cast(null as double), 'unit': cast(null as varchar),
                            'shape': cast(null as varchar), 'factor': cast(null as double)
                        }
                end,
                place
            ) over here,
            'volume_ml': (arg_max(
                case
                    when tells_rate and volume_to_infuse_ml is not null then {'v': volume_to_infuse_ml}
                    when switched_off then {'v': cast(null as double)}
                end,
                place
            ) over here).v,
            'duration_s': (arg_max(
                case
                    when tells_rate and programmed_duration_s is not null then {'v': programmed_duration_s}
                    when switched_off then {'v': cast(null as double)}
                end,
                place
            ) over here).v
        } as programme,
        coalesce(
            arg_max(
                case
                    when kind in ('infusion_completed', 'kvo_started') then true
                    when kind in ('infusion_started', 'infusion_resumed', 'infusion_paused') then false
                end,
                place
            ) over (
                partition by watch_no, line order by place
                rows between unbounded preceding and 1 preceding
            ),
            false
        ) as was_completed
    from joined
    window
        here as (
            partition by watch_no, line order by place rows between unbounded preceding and current row
        ),
        channel_here as (
            partition by watch_no order by place rows between unbounded preceding and current row
        )
),

lines as (
    select *, lag(programme) over (partition by watch_no, line order by place) as programme_before
    from valued
),

stepped as (
    select
        * exclude (mine, programme, programme_before, area_now, weight_now),
        struct_insert(programme, care_area := area_now, weight_kg := weight_now) as now,
        struct_insert(
            programme_before,
            care_area := lag(area_now) over in_channel,
            weight_kg := lag(weight_now) over in_channel
        ) as was
    from lines
    where mine
    window in_channel as (partition by watch_no order by place)
)

select
    watch_no, place, line, begins_infusion, begins_as, begins_under, begins_us, now, was, was_completed,
    -- whether a row programmes something new; a start that continues is judged by rate and dose alone
    coalesce(printf('%.5e', rate_ml_h) <> printf('%.5e', was.rate_ml_h), rate_ml_h is not null)
    or coalesce(
        printf('%.5e', dose_value) <> printf(
            '%.5e',
            case
                when coalesce(dose_unit, '') = coalesce(was.dose.unit, '') then was.dose.value
                when dose_shape = was.dose.shape then was.dose.value * was.dose.factor / dose_factor
            end
        ),
        dose_value is not null
    )
    or (
        kind not in ('infusion_started', 'infusion_resumed')
        and (
            coalesce(
                printf('%.5e', volume_to_infuse_ml) <> printf('%.5e', was.volume_ml), volume_to_infuse_ml is not null
            )
            or coalesce(
                printf('%.5e', programmed_duration_s) <> printf('%.5e', was.duration_s),
                programmed_duration_s is not null
            )
        )
    ) as is_new_value
from stepped
