-- title: Begin and end of each infusion
-- grain: one infusion
-- why: it ends with the first closing row after its last start, with the next infusion, with its window, or is open
with followed as (
    select
        *,
        -- what ends the state of a pause whose window is over (ruling 17)
        arg_min(ender, place) over (
            partition by lane_no order by place
            rows between current row and unbounded following
        ) as next_ender
    from lane_turns
),

grouped as (
    select
        lane_no, ordinal,
        min(case when is_new then place end) as start_place,
        max(case when starts or opens or opens_late or is_new then place end) as last_begin_place,
        max(case when ends_here then place end) as last_close_place,
        -- what ran up to a logged completion or keep-open needs no bound
        max(
            case
                when volume_told_ml is not null or starts or is_new or (mine and sign in ('kvo', 'complete')) then place
            end
        ) as last_entry_place,
        max(place) as last_place
    from lane_turns
    where ordinal is not null
    group by lane_no, ordinal
),

framed as (
    select
        *,
        case when last_close_place >= last_begin_place then last_close_place end as close_place,
        lead(start_place) over (partition by lane_no order by ordinal) as next_place
    from grouped
),

bounded as (
    select *, coalesce(close_place, next_place) as end_place
    from framed
),

joined as (
    select
        f.*,
        e.place is not null as has_end,
        e.at_us as end_us, q.ambiguous,
        e.is_late, e.proof_place_before, e.next_ender, e.end_sign, e.starts, e.would_continue,
        e.patient_turned, e.waiting_since_before_us,
        case
            when f.close_place is null then coalesce(e.stop_missing, false)
            when e.end_sign = 'on'
                then e.state_before in ('running', 'bolus', 'keep_open', 'unknown') and not e.waiting_before
            when e.sign = 'other_lane' then e.state_before in ('running', 'bolus') and not e.is_unbroken
            else false
        end as stop_missing,
        e.state_before = 'unknown' and e.gap_before as lost_sight,
        e.state_before in ('running', 'bolus') as ran_before,
        e.place is null and l.is_waiting
        and p.last_us - l.waiting_since_us > round(s.continue_after_pause_s * 1e6) as lapses,
        l.waiting_since_us,
        l.state as last_state,
        cast(round(s.continue_after_pause_s * 1e6) as bigint) as window_us
    from bounded as f
    cross join settings as s
    inner join lane_ends as p on f.lane_no = p.lane_no
    left join followed as e on f.end_place = e.place
    left join lane_log as q on f.end_place = q.place
    left join lane_turns as l on f.last_place = l.place
)

select
    lane_no, ordinal, start_place, last_begin_place, last_entry_place, end_place, proof_place_before, stop_missing,
    coalesce(lost_sight, false) as lost_sight,
    coalesce(ambiguous and not is_late, false) as end_ambiguous,
    case
        when has_end and is_late then waiting_since_before_us + window_us
        when has_end then end_us
        when lapses then waiting_since_us + window_us
    end as ended_us,
    case
        when not has_end then case when lapses then 'stopped' else 'open' end
        when stop_missing then 'stop_missing'
        when end_sign = 'late' then coalesce(next_ender, 'stopped')
        when end_sign = 'complete' then 'completed'
        when end_sign in ('off', 'on') then 'powered_off'
        when end_sign = 'patient' or patient_turned then 'patient_change'
        when close_place is null or end_sign = 'other_lane' then 'superseded'
        else 'stopped'
    end as end_kind,
    -- what nothing shows to have run on is bounded by the volume left (ruling 14)
    case
        when not has_end then not lapses and last_state <> 'suspended'
        when stop_missing then true
        when close_place is null then starts and would_continue
        else end_sign = 'other_lane' and ran_before
    end as is_bounded
from joined
