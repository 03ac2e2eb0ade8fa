-- title: The programme in force on a lane: entry, concentration, dose, and the rates of bolus, keep-open and priming
-- grain: one row of the lane's log
-- why: null is not logged, so the last value holds; power-off and another library use clear (ruling 13)
with told as (
    select
        u.*,
        v.opens_unseen and not v.opens_idle as opens_unseen, v.reopens, v.at_zero_before,
        l.sign, l.kind, l.entry, l.entry_key, l.concentration_value, l.concentration_unit, l.dose_value, l.dose_unit,
        l.rate_ml_h, l.bolus_adds_to_basal, l.weight_here, l.bsa_here, l.fluid, l.care_area_here,
        l.mine and (
            l.sign in ('start', 'delayed', 'dose', 'change', 'programme', 'bypass')
            or (l.in_force_kind and l.kind = 'weight_changed')
            or (l.kind = 'volume_reported' and v.state = 'running')
        ) as tells_rate
    from lane_uses as u
    inner join lane_live as v on u.place = v.place
    inner join lane_log as l on u.place = l.place
),

before_dose as (
    select
        *,
        arg_max(
            case
                when clears or (confirms and dose_value is not null)
                    then {
                        'value': case when confirms then dose_value end, 'unit': case when confirms then dose_unit end
                    }
            end,
            place
        ) over (
            partition by lane_no order by place
            rows between unbounded preceding and 1 preceding
        ) as dose_before
    from told
)

select
    lane_no, place, state_before, confirms, bypasses_now, use_told, says_unknown, use_known, fluid, care_area_here,
    rate_ml_h, tells_rate,
    case when confirms then entry_key end as entry_named,
    arg_max(
        case
            when clears or (confirms and entry is not null)
                then {'entry': case when confirms then entry end, 'entry_key': case when confirms then entry_key end}
        end,
        place
    ) over here as entry_here,
    arg_max(
        case
            when clears or (confirms and concentration_value is not null)
                then {
                    'value': case when confirms then concentration_value end,
                    'unit': case when confirms then concentration_unit end
                }
        end,
        place
    ) over here as concentration_here,
    arg_max(
        case
            when clears or (confirms and dose_value is not null)
                then {
                    'value': case when confirms then dose_value end,
                    'unit': case when confirms then dose_unit end,
                    'weight_kg': weight_here,
                    'bsa_m2': bsa_here
                }
        end,
        place
    ) over here as dose_here,
    confirms and dose_value is not null as sets_dose,
    -- another dose without a rate makes the rate in force untrue: it follows from the dose or is not known (ruling 51)
    tells_rate and (
        rate_ml_h is not null
        or (
            confirms
            and dose_value is not null
            and (clears or coalesce(dose_value <> dose_before.value or dose_unit <> dose_before.unit, true))
        )
    ) as sets_rate,
    arg_max(
        case when sign = 'bolus' then {
            'rate': rate_ml_h,
            'adds': coalesce(bolus_adds_to_basal, false)
            -- nobody paused what runs at a rate of 0, and its rate may rise while the bolus runs (ruling 46)
            and (
                state_before in ('running', 'bolus', 'unknown') or (at_zero_before and state_before = 'paused')
                or opens_unseen or reopens
            )
        } end,
        place
    ) over here as bolus_here,
    arg_max(case when sign = 'kvo' then {'rate': rate_ml_h} end, place) over here as keep_open_here,
    arg_max(case when sign = 'priming' then {'rate': rate_ml_h} end, place) over here as priming_here
from before_dose
window here as (
    partition by lane_no order by place
    rows between unbounded preceding and current row
)
