-- title: Stretches joined where nothing changes
-- grain: one segment with exact length and unrounded volume
-- why: a segment is a stretch in which state, rate and programme do not change
with compared as (
    select
        *,
        coalesce(
            {
                'ordinal': ordinal, 'state': state, 'rate': rate_ml_h, 'dose': dose_per_h, 'place': on_channel,
                'programme': programme
            } is distinct from lag({
                'ordinal': ordinal, 'state': state, 'rate': rate_ml_h, 'dose': dose_per_h, 'place': on_channel,
                'programme': programme
            }) over in_lane
            or from_us <> lag(to_us) over in_lane,
            true
        ) as changes
    from stretch_pieces
    window in_lane as (partition by facility, pump_id, channel, lane order by place, piece)
),

numbered as (
    select
        *,
        count(case when changes then 1 end) over (
            partition by facility, pump_id, channel, lane order by place, piece
            rows between unbounded preceding and current row
        ) as segment_number
    from compared
)

select
    facility, pump_id, channel, lane, ordinal, segment_number,
    min(from_us) as from_us,
    max(to_us) as to_us,
    any_value(state) as state,
    any_value(rate_ml_h) as rate_ml_h,
    any_value(dose_per_h) as dose_per_h,
    any_value(dose_amount_unit) as dose_amount_unit,
    any_value(on_channel) as on_channel,
    any_value(programme) as programme
from numbered
group by facility, pump_id, channel, lane, ordinal, segment_number
