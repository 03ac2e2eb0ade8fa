-- title: Where a lane's infusions begin, continue and end
-- grain: one row of the lane's log
-- why: a start continues when programme and patient are the same and it stopped a short while ago; else it is a start
with befores as (
    select
        *,
        begins or wakes as starts,
        state in ('running', 'bolus', 'keep_open') as delivers,
        mine and (
            (sign in ('change', 'programme') and state_before in ('running', 'bolus', 'unknown'))
            or (sign = 'change' and state_before = 'keep_open')
            or bypasses_now
        )
        and not begins and not wakes and state <> 'closed' as takes,
        state = 'closed' and (state_before <> 'closed' or opens or opens_late) as ends_here,
        lag(rate_ml_h) over in_lane as rate_before,
        coalesce(unsure_links = proof_unsure_links, false) as is_unbroken,
        {
            'use': use_here, 'entry': entry_here.entry, 'entry_key': entry_here.entry_key,
            'concentration': concentration_here, 'concentration_key': concentration_key,
            'concentration_amount_unit': concentration_amount_unit, 'concentration_per_ml': concentration_per_ml,
            'dose': {'value': dose_here.value, 'unit': dose_here.unit}, 'fluid': fluid_here
        } as programme
    from lane_rates
    window in_lane as (partition by facility, pump_id, channel, lane order by place)
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
        last_value(case when confirms_programme then programme end ignore nulls) over before as ran,
        last_value(case when confirms_programme then programme end ignore nulls) over here as ran_here,
        last_value(
            case when delivers or starts or opens or opens_late then {'v': on_channel.care_area} end ignore nulls
        ) over before as care_area_ran,
        last_value(case when state = 'running' then {'v': rate_ml_h} end ignore nulls) over before as rate_ran,
        last_value(end_sign ignore nulls) over before as end_sign_before,
        last_value(case when ends_here then at_us end ignore nulls) over before as ended_before_us,
        last_value(case when ends_here then state_before end ignore nulls) over before as state_at_end,
        max(case when delivers or opens or opens_late then place end) over before as ran_place,
        max(
            case
                when
                    sign in ('cleared', 'off', 'on') or patient_turned or end_sign in ('late', 'patient')
                    or (sign = 'other_lane' and (lane = 1 or state_before = 'closed'))
                    then place
            end
        ) over before as barred_place
    from marks
    window
        here as (
            partition by facility, pump_id, channel, lane order by place
            rows between unbounded preceding and current row
        ),
        before as (
            partition by facility, pump_id, channel, lane order by place
            rows between unbounded preceding and 1 preceding
        )
),

compared as (
    select
        l.*,
        coalesce(programme.use <> ran.use, false) as use_differs,
        coalesce(programme.entry_key <> ran.entry_key, false) as entry_differs,
        coalesce(programme.concentration_key <> ran.concentration_key, false) as concentration_differs,
        coalesce(programme.fluid <> ran.fluid, false) as fluid_differs,
        coalesce(on_channel.care_area <> care_area_ran.v, false) as care_area_differs,
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
),

decided as (
    select
        *,
        starts and coalesce(may_continue, false) and not stop_missing as would_continue,
        use_differs or entry_differs or concentration_differs as programme_differs
    from compared
),

turned as (
    select
        *,
        case
            when opens_unseen or opens_late or patient_splits then true
            when starts then not would_continue or programme_differs or care_area_differs or fluid_differs
            else takes and programme_differs
        end as is_new,
        case
            when opens_unseen or opens_late or patient_splits then false
            when starts then would_continue and (programme_differs or care_area_differs) and not fluid_differs
            else takes and programme_differs
        end as is_linked
    from decided
)

select
    facility, pump_id, channel, lane, place, at_us, reached_us, event_id, kind, sign, own, mine, proves, ambiguous,
    has_unmapped, patient_turned, begins, starts, opens, opens_late, closes, source_name, use_context, state, state_before,
    ends_here, end_sign, is_late, is_waiting, waiting_since_us, waiting_since_before_us, gap_before, waiting_before,
    is_after_gap, proof_place_before, is_unbroken, stop_missing, would_continue, refills,
    is_new, is_linked,
    case
        when not is_new then null
        when opens_unseen or opens_late then 'missing'
        when patient_splits then 'patient_change'
        when not is_linked then 'start'
        when use_differs and programme.use = 'bypassed' then 'left_library'
        when use_differs and ran.use = 'bypassed' then 'entered_library'
        when entry_differs then 'entry_changed'
        when concentration_differs then 'concentration_changed'
        else 'start'
    end as start_kind,
    coalesce(
        not is_new and (takes or (no_gap and would_continue)) and (no_gap or state_before = 'running')
        and case when no_gap then rate_ran.v else rate_before end > 0 and rate_ml_h > 0
        and case when no_gap then rate_ran.v else rate_before end <> rate_ml_h
        and coalesce(initiator, 'user') = 'user',
        false
    ) as is_user_rate_change,
    sum(case when is_new then 1 else 0 end) over (
        partition by facility, pump_id, channel, lane order by place rows between unbounded preceding and current row
    ) as ordinal,
    case
        when sign = 'stop' then 'stopped'
        when sign = 'complete' and mine then 'completed'
        when sign in ('off', 'on') then 'powered_off'
        when patient_turned then 'patient_change'
        when starts or opens or opens_late or sign = 'other_lane' then 'superseded'
    end as ender,
    programme, ran_here, dose_per_h, dose_amount_unit, rate_ml_h, bolus_here, keep_open_here, priming_here, holding,
    on_channel, volume_to_infuse_ml, volume_delivered_ml, volume_scope
from turned
