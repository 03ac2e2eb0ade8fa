-- title: What last ran on a lane before each row, and whether a start goes on with it
-- grain: one row of the lane's log
-- why: what ran, where it ended and what came between decide what a start continues, whatever the library use
with befores as (
    select
        v.lane_no,
        v.lane,
        v.place,
        v.place - v.lane_no % 2 * 68719476736 as channel_place,
        v.at_us,
        v.sign,
        v.own,
        v.mine,
        v.patient_turned,
        v.begins,
        v.opens,
        v.opens_unseen,
        v.opens_late,
        v.closes, v.state, v.is_late, v.is_waiting, v.waiting_before, v.waiting_since_us, v.waiting_since_before_us,
        v.gap_before, v.is_after_gap, v.patient_closes, v.patient_splits, v.proof_place_before,
        r.state_before, r.use_told, r.says_unknown, r.use_known, r.entry_named, r.entry_here.entry_key as entry_key,
        r.concentration_key, r.fluid, r.care_area_here, r.rate_ml_h,
        lag(r.entry_here.entry_key) over in_lane as entry_before,
        v.begins or v.wakes as starts,
        v.state in ('running', 'bolus', 'keep_open') as delivers,
        v.mine and (
            (v.sign in ('change', 'programme') and r.state_before in ('running', 'bolus', 'unknown'))
            or (v.sign = 'change' and r.state_before = 'keep_open')
            or r.bypasses_now
        )
        and not v.begins and not v.wakes and v.state <> 'closed' as takes,
        v.state = 'closed' and (r.state_before <> 'closed' or v.opens or v.opens_late) as ends_here,
        lag(r.rate_ml_h) over in_lane as rate_before,
        coalesce(v.unsure_links = v.proof_unsure_links, false) as is_unbroken
    from lane_live as v
    inner join lane_rates as r on v.place = r.place
    window in_lane as (partition by v.lane_no order by v.place)
),

marks as (
    select
        *,
        delivers or starts or opens or opens_late or takes as confirms_programme,
        case
            when not ends_here then null
            when is_late then 'late'
            when patient_closes and not closes then 'patient'
            else sign
        end as end_sign
    from befores
),

lasts as (
    select
        *,
        arg_max(case when confirms_programme then {'v': entry_key} end, place) over before as entry_ran,
        arg_max(case when confirms_programme then {'v': concentration_key} end, place) over before
            as concentration_ran,
        arg_max(case when confirms_programme then fluid end, place) over before as fluid_ran,
        max(case when confirms_programme then place end) over here as programme_place,
        arg_max(
            case when delivers or starts or opens or opens_late then {'v': care_area_here} end,
            place
        ) over before as care_area_ran,
        arg_max(
            case
                when state = 'running' then {'v': rate_ml_h}
                -- what begins with a bolus has no rate of its own yet
                when (opens and not begins) or opens_late or patient_splits then {'v': cast(null as double)}
            end,
            place
        ) over before as rate_ran,
        arg_max(end_sign, place) over before as end_sign_before,
        arg_max(case when ends_here then at_us end, place) over before as ended_before_us,
        arg_max(case when ends_here then state_before end, place) over before as state_at_end,
        max(
            case when delivers or opens or opens_late or patient_splits then place end
        ) over before as ran_place,
        max(case when ends_here then place end) over before as ended_place,
        max(case when sign = 'cleared' then place end) over before as cleared_place,
        max(
            case
                when
                    sign in ('off', 'on') or patient_turned or end_sign in ('late', 'patient')
                    or (sign = 'other_lane' and (lane = 1 or state_before = 'closed'))
                    then place
            end
        ) over before as barred_place,
        max(case when (opens or opens_late) and lane_no % 2 = 0 then channel_place end) over before_on_channel
            as opened_0_place,
        max(case when (opens or opens_late) and lane_no % 2 = 1 then channel_place end) over before_on_channel
            as opened_1_place
    from marks
    window
        here as (
            partition by lane_no order by place
            rows between unbounded preceding and current row
        ),
        before as (
            partition by lane_no order by place
            rows between unbounded preceding and 1 preceding
        ),
        before_on_channel as (
            partition by lane_no // 2 order by channel_place
            range between unbounded preceding and 1 preceding
        )
),

compared as (
    select
        l.*,
        coalesce(entry_key <> entry_ran.v, false) as entry_differs,
        coalesce(concentration_key <> concentration_ran.v, false) as concentration_differs,
        coalesce(fluid <> fluid_ran, false) as fluid_differs,
        coalesce(care_area_here <> care_area_ran.v, false) as care_area_differs,
        -- the stop got lost: across a gap, or where nobody can say that nothing was lost (ruling 1)
        begins and (
            (state_before in ('running', 'bolus') and not is_unbroken)
            or (
                state_before = 'unknown' and not waiting_before and not patient_turned
                and (
                    gap_before
                    or (
                        at_us - waiting_since_before_us > round(s.continue_after_pause_s * 1e6) and not is_unbroken
                    )
                )
            )
        ) as stop_missing,
        ran_place is not null and not patient_turned
        and case
            when state_before in ('running', 'bolus', 'suspended') then true
            when state_before = 'unknown' and not waiting_before
                then not gap_before and at_us - waiting_since_before_us <= round(s.continue_after_pause_s * 1e6)
            when coalesce(barred_place, 0) > ran_place then false
            -- totals cleared before the logged stop do not lie between that and the start
            when coalesce(cleared_place, 0) > greatest(ran_place, coalesce(ended_place, 0)) then false
            -- what began or was found to run on the other line since the stop is another infusion
            when
                state_before = 'closed'
                and coalesce(case when lane_no % 2 = 0 then opened_1_place else opened_0_place end, 0)
                > coalesce(ended_place, 0) - lane_no % 2 * 68719476736
                then false
            when state_before = 'closed'
                then
                    end_sign_before in ('stop', 'complete', 'bolus_end')
                    and at_us - ended_before_us <= round(s.continue_after_stop_s * 1e6)
            else not is_late
        end as may_continue,
        begins and (
            state_before in ('running', 'bolus')
            or coalesce(
                state_before = 'closed' and end_sign_before = 'stop' and state_at_end in ('running', 'bolus')
                and at_us - ended_before_us <= round(s.no_gap_s * 1e6),
                false
            )
        ) as no_gap,
        begins and (
            state_before = 'keep_open'
            or coalesce(state_before = 'closed' and (end_sign_before = 'complete' or state_at_end = 'keep_open'), false)
        ) as refills
    from lasts as l
    cross join settings as s
)

select
    * exclude (
        may_continue, patient_closes, closes, delivers, concentration_ran, fluid_ran, care_area_ran, end_sign_before,
        ended_before_us, state_at_end, ran_place, ended_place, cleared_place, barred_place, channel_place,
        opened_0_place, opened_1_place
    ),
    starts and coalesce(may_continue, false) and not stop_missing as would_continue
from compared
