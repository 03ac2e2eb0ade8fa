-- title: What a lane did from each row of its log to the next
-- grain: one row of the log inside an infusion
-- why: state, rate and dose hold until the next row; what a lost stop leaves unproven is unknown
with told as (
    select
        t.*,
        l.reached_us,
        l.volume_to_infuse_ml,
        t.mine and l.volume_to_infuse_ml is not null
        and (t.starts or t.opens or t.opens_late or t.sign in ('change', 'programme', 'bypass')) as tells_volume
    from lane_turns as t
    inner join lane_log as l on t.place = l.place
),

following as (
    select
        t.lane_no, t.place, t.ordinal, t.at_us, t.state, t.is_waiting, t.waiting_since_us, t.is_after_gap,
        t.programme_place,
        -- a step back of the clock ends the stretch before it at the moment that the clock had reached
        coalesce(lead(t.reached_us) over in_lane, e.last_us) as next_us,
        arg_max(
            case
                when t.tells_volume then {'volume_ml': t.volume_to_infuse_ml, 'place': t.place}
                when
                    t.opens_late or (t.opens and not t.begins) or (t.starts and (t.is_new or t.refills))
                    or t.sign in ('off', 'on', 'kvo', 'complete')
                    then {'volume_ml': cast(null as double), 'place': t.place}
            end,
            t.place
        ) over (in_lane rows between unbounded preceding and current row) as to_infuse,
        -- what ran up to a logged completion or keep-open needs no bound
        max(
            case
                when t.tells_volume or t.starts or t.is_new or (t.mine and t.sign in ('kvo', 'complete')) then t.place
            end
        ) over (
            partition by t.lane_no, t.ordinal
        ) as last_entry_place
    from told as t
    inner join lane_ends as e on t.lane_no = e.lane_no
    window in_lane as (partition by t.lane_no order by t.place)
),

stated as (
    select
        f.* exclude (state),
        r.is_bounded and f.place >= f.last_entry_place as is_bounded,
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
        v.rate_ml_h, v.rate_at_dose, v.dose_per_h, v.dose_amount_unit, v.bolus_here, v.keep_open_here, v.priming_here,
        case when f.state in ('running', 'bolus', 'keep_open') then f.place else f.programme_place end as values_place
    from following as f
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
        when 'bolus' then d.bolus_here.rate + case when d.bolus_here.adds then d.rate_ml_h else 0.0 end
        when 'keep_open' then d.keep_open_here.rate
        when 'priming' then d.priming_here.rate
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
    d.to_infuse,
    u.use_here as library_use,
    p.entry_here.entry as entry,
    p.concentration_here.value as concentration_value,
    p.concentration_here.unit as concentration_unit,
    p.concentration_amount_unit,
    p.concentration_per_ml,
    p.dose_here.value as dose_value,
    p.dose_here.unit as dose_unit,
    p.fluid as fluid_source,
    l.care_area_here as care_area,
    l.library_version_here as library_version,
    l.weight_here as weight_kg,
    l.patient_here as patient_key
from stated as d
inner join lane_log as l on d.place = l.place
inner join lane_rates as p on d.values_place = p.place
inner join lane_turns as u on d.values_place = u.place
