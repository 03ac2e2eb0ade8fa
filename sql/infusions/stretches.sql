-- title: What a lane did from each row of its log to the next
-- grain: one row of the log inside an infusion
-- why: state, rate and dose hold until the next row; what a lost stop leaves unproven is unknown
with told as (
    select
        *,
        coalesce(lag(lane_no) over () <> lane_no, true) as is_first,
        -- a step back of the clock ends the stretch before it at the moment that the clock had reached
        case when lead(lane_no) over () = lane_no then lead(reached_us) over () end as until_us,
        volume_told_ml is not null
        or opens_late or (opens and not begins) or (starts and (is_new or refills))
        or sign in ('off', 'on', 'kvo', 'complete') as sets_volume
    from lane_turns
),

following as (
    select
        lane_no, place, ordinal, at_us, state, is_waiting, waiting_since_us, is_after_gap, programme_place, until_us,
        arg_max_null(volume_told_ml, place) filter (where is_first or sets_volume) over so_far as volume_ml,
        max(place) filter (where is_first or sets_volume) over so_far as volume_place
    from told
    window so_far as (rows between unbounded preceding and current row)
),

bounded as (
    select f.*, coalesce(f.until_us, e.last_us) as next_us
    from following as f
    inner join lane_ends as e on f.lane_no = e.lane_no
),

stated as (
    select
        f.* exclude (state),
        r.is_bounded and f.place >= r.last_entry_place as is_bounded,
        case
            when f.is_waiting
                then least(f.next_us, f.waiting_since_us + cast(round(s.continue_after_pause_s * 1e6) as bigint))
            else f.next_us
        end as to_us,
        case
            when f.state = 'closed' and f.is_after_gap then 'unknown'
            when f.state in ('closed', 'waiting') then 'paused'
            when
                r.stop_missing and not r.lost_sight and f.place >= r.proof_place_before
                and f.state in ('running', 'bolus', 'keep_open')
                then 'unknown'
            when f.state = 'running' and v.rate_ml_h = 0 then 'paused'
            else f.state
        end as state,
        v.rate_ml_h, v.rate_at_dose, v.dose_per_h, v.dose_amount_unit, v.bolus_rate, v.bolus_adds,
        v.keep_open_rate, v.priming_rate,
        case when f.state in ('running', 'bolus', 'keep_open') then f.place else f.programme_place end as values_place
    from bounded as f
    cross join settings as s
    inner join infusion_frames as r on f.ordinal = r.ordinal
    inner join lane_rates as v on f.place = v.place
    where
        f.state <> 'suspended'
        and f.place < coalesce(r.end_place, f.place + 1)
        and (f.state <> 'closed' or f.place < r.last_begin_place)
)

select
    d.lane_no, d.ordinal, d.place,
    d.at_us as from_us,
    greatest(d.at_us, d.to_us) as to_us,
    d.state,
    case d.state
        when 'running' then d.rate_ml_h
        when 'bolus' then d.bolus_rate + case when d.bolus_adds then d.rate_ml_h else 0.0 end
        when 'keep_open' then d.keep_open_rate
        when 'priming' then d.priming_rate
        when 'unknown' then null
        else 0.0
    end as rate_ml_h,
    -- the same fluid at another rate gives the dose in proportion
    case
        when d.state = 'running'
            then
                d.dose_per_h
                * case
                    when d.rate_at_dose > 0 and d.rate_ml_h is not null then d.rate_ml_h / d.rate_at_dose
                    else 1.0
                end
    end as dose_per_h,
    case when d.state = 'running' then d.dose_amount_unit end as dose_amount_unit,
    d.is_bounded and d.state in ('running', 'bolus') as is_bounded,
    d.volume_ml, d.volume_place,
    u.use_here as library_use,
    p.entry_here as entry,
    p.concentration_here as concentration_value,
    p.concentration_unit_here as concentration_unit,
    p.concentration_amount_unit,
    p.concentration_per_ml,
    p.dose_here as dose_value,
    p.dose_unit_here as dose_unit,
    p.fluid as fluid_source,
    l.care_area_here as care_area,
    l.library_version_here as library_version,
    l.weight_here as weight_kg,
    l.patient_here as patient_key
from stated as d
inner join lane_log as l on d.place = l.place
inner join lane_rates as p on d.values_place = p.place
inner join lane_turns as u on d.values_place = u.place
