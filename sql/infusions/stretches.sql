-- title: What a lane did from each row of its log to the next
-- grain: one row of the log inside an infusion
-- why: state, rate and dose hold until the next row; what a lost stop leaves unproven is unknown
with told as (
    select
        *,
        mine and volume_to_infuse_ml is not null
        and (starts or opens or opens_late or sign in ('change', 'programme', 'bypass')) as tells_volume
    from lane_turns
),

following as (
    select
        t.*,
        -- a step back of the clock ends the stretch before it at the moment that the clock had reached
        coalesce(lead(t.reached_us) over in_lane, p.last_us) as next_us,
        last_value(
            case
                when t.tells_volume then {'volume_ml': t.volume_to_infuse_ml, 'place': t.place}
                when
                    t.opens_late or t.opens or (t.starts and (t.is_new or t.refills))
                    or t.sign in ('off', 'on', 'kvo', 'complete')
                    then {'volume_ml': cast(null as double), 'place': t.place}
            end ignore nulls
        ) over (in_lane rows between unbounded preceding and current row) as to_infuse,
        max(case when t.tells_volume or t.starts or t.is_new then t.place end) over (
            partition by t.facility, t.pump_id, t.channel, t.lane, t.ordinal
        ) as last_entry_place
    from told as t
    inner join pump_ends as p on t.facility = p.facility and t.pump_id = p.pump_id
    window in_lane as (partition by t.facility, t.pump_id, t.channel, t.lane order by t.place)
),

stated as (
    select
        f.* exclude (state, proof_place_before, stop_missing, programme),
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
            when f.state = 'running' and f.rate_ml_h = 0 then 'paused'
            else f.state
        end as state,
        case when f.state in ('running', 'bolus', 'keep_open') then f.programme else f.ran_here end as programme
    from following as f
    cross join settings as s
    inner join infusion_frames as r
        on f.facility = r.facility and f.pump_id = r.pump_id and f.channel = r.channel and f.lane = r.lane
        and f.ordinal = r.ordinal
    where
        f.state <> 'suspended'
        and f.place < coalesce(r.end_place, f.place + 1)
        and (f.state <> 'closed' or f.place < r.last_begin_place)
)

select
    facility, pump_id, channel, lane, ordinal, place,
    at_us as from_us,
    greatest(at_us, to_us) as to_us,
    state,
    case state
        when 'running' then rate_ml_h
        when 'bolus'
            then
                bolus_here.rate
                + case when bolus_here.adds and holding = 'run' and not is_waiting then rate_ml_h else 0.0 end
        when 'keep_open' then keep_open_here.rate
        when 'priming' then priming_here.rate
        when 'unknown' then null
        else 0.0
    end as rate_ml_h,
    case when state = 'running' then dose_per_h end as dose_per_h,
    case when state = 'running' then dose_amount_unit end as dose_amount_unit,
    is_bounded and state in ('running', 'bolus') as is_bounded,
    to_infuse,
    on_channel,
    programme
from stated
