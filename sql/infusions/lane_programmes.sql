-- title: The programme in force on a lane: entry, concentration, dose, and the rates of bolus, keep-open and priming
-- grain: one row of the lane's log
-- why: null is not logged, so the last value holds; power-off and another library use clear (ruling 13)
with told as (
    select
        *,
        mine and (
            sign in ('start', 'delayed', 'dose', 'change', 'programme', 'bypass')
            or (in_force_kind and kind = 'weight_changed')
            or (kind = 'volume_reported' and state = 'running')
        ) as tells_rate
    from lane_uses
)

select
    * exclude (
        of_channel, fluid, entry, entry_key, concentration_value, concentration_unit, dose_value, dose_unit,
        bolus_adds_to_basal, in_force_kind
    ),
    last_value(of_channel ignore nulls) over here as on_channel,
    last_value(fluid ignore nulls) over here as fluid_here,
    last_value(
        case
            when clears or (confirms and entry is not null)
                then {'entry': case when confirms then entry end, 'entry_key': case when confirms then entry_key end}
        end ignore nulls
    ) over here as entry_here,
    last_value(
        case
            when clears or (confirms and concentration_value is not null)
                then {
                    'value': case when confirms then concentration_value end,
                    'unit': case when confirms then concentration_unit end
                }
        end ignore nulls
    ) over here as concentration_here,
    last_value(
        case
            when clears or (confirms and dose_value is not null)
                then {
                    'value': case when confirms then dose_value end,
                    'unit': case when confirms then dose_unit end,
                    'weight_kg': of_channel.weight_kg,
                    'bsa_m2': of_channel.bsa_m2
                }
        end ignore nulls
    ) over here as dose_here,
    tells_rate and (rate_ml_h is not null or (confirms and dose_value is not null)) as sets_rate,
    last_value(
        case when sign = 'bolus' then {'rate': rate_ml_h, 'adds': coalesce(bolus_adds_to_basal, false)} end ignore nulls
    ) over here as bolus_here,
    last_value(case when sign = 'kvo' then {'rate': rate_ml_h} end ignore nulls) over here as keep_open_here,
    last_value(case when sign = 'priming' then {'rate': rate_ml_h} end ignore nulls) over here as priming_here
from told
window here as (
    partition by facility, pump_id, channel, lane order by place
    rows between unbounded preceding and current row
)
