-- title: The programme in force on a lane: entry, concentration, dose, and the rates of bolus, keep-open and priming
-- grain: one row of the lane's log
-- order: place
-- why: null is not logged, so the last value holds; power-off and another library use clear (ruling 13)
with told as (
    select
        *,
        is_first or clears or (confirms and entry is not null) as tells_entry,
        is_first or clears or (confirms and concentration_value is not null) as tells_concentration,
        is_first or clears or (confirms and dose_value is not null) as tells_dose,
        sign = 'bolus' and (
            -- nobody paused what runs at a rate of 0, and its rate may rise while the bolus runs (ruling 46)
            state_before in ('running', 'bolus', 'unknown') or (at_zero_before and state_before = 'paused')
            or opens_unseen or reopens
        ) and coalesce(bolus_adds_to_basal, false) as adds
    from lane_uses
),

held as (
    select
        *,
        arg_max_null(case when confirms then entry end, place) filter (where tells_entry) over so_far as entry_held,
        arg_max_null(case when confirms then entry_key end, place) filter (where tells_entry) over so_far as key_held,
        arg_max_null(case when confirms then concentration_value end, place)
        filter (where tells_concentration)
            over so_far
            as concentration_held,
        arg_max_null(case when confirms and concentration_value is not null then concentration_unit end, place)
        filter (where tells_concentration)
            over so_far
            as concentration_unit_held,
        arg_max_null(case when confirms then dose_value end, place) filter (where tells_dose) over so_far as dose_held,
        arg_max_null(case when confirms and dose_value is not null then dose_unit end, place) filter (
            where tells_dose
        ) over so_far
            as dose_unit_held,
        arg_max_null(case when clears or confirms then weight_here end, place) filter (where tells_dose) over so_far
            as weight_held,
        arg_max_null(case when clears or confirms then bsa_here end, place) filter (where tells_dose) over so_far
            as bsa_held,
        arg_max_null(case when sign = 'bolus' then rate_ml_h end, place) filter (where is_first or sign = 'bolus')
            over so_far
            as bolus_rate,
        arg_max_null(adds, place) filter (where is_first or sign = 'bolus') over so_far as bolus_adds,
        arg_max_null(case when sign = 'kvo' then rate_ml_h end, place) filter (where is_first or sign = 'kvo')
            over so_far
            as keep_open_rate,
        arg_max_null(case when sign = 'priming' then rate_ml_h end, place)
        filter (where is_first or sign = 'priming')
            over so_far
            as priming_rate
    from told
    window so_far as (rows between unbounded preceding and current row)
),

befores as (
    select
        *,
        case when not is_first then lag(dose_held) over () end as dose_before,
        case when not is_first then lag(dose_unit_held) over () end as dose_unit_before
    from held
)

select
    h.lane_no, h.place, h.is_first, h.state_before, h.bypasses_now, h.use_told, h.says_unknown, h.use_known, h.fluid,
    h.care_area_here, h.rate_ml_h,
    case when h.confirms then h.entry_key end as entry_named,
    h.entry_held as entry_here,
    h.key_held as entry_key,
    h.concentration_held as concentration_here,
    h.concentration_unit_held as concentration_unit_here,
    h.dose_held as dose_here,
    h.dose_unit_held as dose_unit_here,
    h.bolus_rate, h.bolus_adds, h.keep_open_rate, h.priming_rate,
    h.confirms and h.dose_value is not null as sets_dose,
    -- another dose without a rate makes the rate in force untrue: it follows from the dose or is not known (ruling 51)
    h.tells_rate and (
        h.rate_ml_h is not null
        or (
            h.confirms
            and h.dose_value is not null
            and (h.clears or coalesce(h.dose_value <> h.dose_before or h.dose_unit <> h.dose_unit_before, true))
        )
    ) as sets_rate,
    c.amount_code as concentration_amount_unit,
    c.per_volume_ml as concentration_per_ml,
    case
        when h.concentration_held is not null
            then
                coalesce(c.dimension, h.concentration_unit_held, '') || ' '
                || printf('%.9e', h.concentration_held * coalesce(c.factor / c.per_volume_ml, 1.0))
    end as concentration_key,
    d.amount_code as dose_amount_unit,
    -- dose per hour for the whole patient, in the dose's own amount unit
    h.dose_held * 3600.0 / d.per_time_s
    * case when d.per_kg then h.weight_held else 1.0 end
    * case when d.per_m2 then h.bsa_held else 1.0 end as dose_per_h,
    case
        when d.dimension = 'volume' then d.factor
        when d.dimension = c.dimension and h.concentration_held > 0
            then d.factor * c.per_volume_ml / (h.concentration_held * c.factor)
    end as ml_per_dose_unit
from befores as h
left join units as c on h.concentration_unit_held = c.code and c.per_volume_ml is not null
left join units as d on h.dose_unit_held = d.code and d.per_time_s is not null
order by h.place
