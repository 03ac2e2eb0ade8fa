-- title: Stretches cut where the volume to infuse is used up
-- grain: one piece of a stretch
-- order: place, piece
-- why: hours that nothing ends never pass the volume left / rate; the rest is unknown (ruling 14)
with used as (
    select
        *,
        coalesce(
            sum(
                case
                    when state in ('running', 'bolus')
                        then cast(round(rate_ml_h * (to_us - from_us) / 3.6e-3) as hugeint)
                end
            ) over (
                partition by volume_place order by place
                rows between unbounded preceding and 1 preceding
            ),
            0
        ) as used_pl
    from stretches
),

cut as (
    select
        *,
        case
            -- all of it ran before: whatever the rate, nothing is left
            when is_bounded and rate_ml_h is null and used_pl >= volume_ml * 1e12 then from_us
            when is_bounded and rate_ml_h > 0 and volume_ml is not null
                then
                    least(
                        to_us,
                        from_us
                        + cast(
                            round(
                                least(
                                    greatest(volume_ml - used_pl / 1e12, 0.0) / rate_ml_h * 3.6e9,
                                    cast(to_us - from_us as double)
                                )
                            ) as bigint
                        )
                    )
            else to_us
        end as cut_us
    from used
)

select * exclude (to_us, cut_us, used_pl, is_bounded, volume_ml, volume_place), cut_us as to_us, 0 as piece
from cut
where cut_us > from_us
union all by name
select
    * exclude (from_us, to_us, cut_us, used_pl, is_bounded, volume_ml, volume_place, state, rate_ml_h, dose_per_h),
    cut_us as from_us, to_us, 1 as piece, 'unknown' as state,
    cast(null as double) as rate_ml_h, cast(null as double) as dose_per_h
from cut
where to_us > cut_us
order by place, piece
