-- title: What became of each attempt
-- grain: one attempt
-- needs: attempt_sessions
-- why: judged by the last confirmed programme, else by how it ended and whether the channel ran (rulings 8, 35, 38)
with limits as (
    select
        watch_no, session,
        coalesce(bool_or(coalesce(limit_kind, '') <> 'hard' and coalesce(is_outside, false)), false) as outside_soft,
        coalesce(bool_or(is_outside), false) as outside_any,
        coalesce(bool_or(is_outside is null), false) as unsure
    from attempt_crossings
    group by watch_no, session
),

warned as (
    select watch_no, session, quantity, coalesce(bool_or(counts), false) as has_alert
    from attempt_rows
    group by watch_no, session, quantity
),

decided as (
    select
        w.watch_no, w.session,
        coalesce(bool_or(d.decision = 'overridden'), false) as says_overridden,
        coalesce(bool_or(d.decision is not null), false) as says_any,
        coalesce(bool_or(w.has_alert and d.decision is null), false) as waits
    from warned as w
    left join attempt_decisions as d
        on
            w.watch_no = d.watch_no and w.session = d.session
            and w.quantity = d.quantity
    group by w.watch_no, w.session
),

changed as (
    select
        watch_no, session,
        coalesce(
            bool_or(own is not null and coalesce(printf('%.5e', own) <> printf('%.5e', held_before), true)), false
        ) as has_new_value
    from attempt_verdicts
    group by watch_no, session
),

joined as (
    select
        f.*, d.says_overridden, d.says_any, d.waits,
        coalesce(l.outside_soft, false) as outside_soft,
        coalesce(l.outside_any, false) as outside_any,
        coalesce(l.unsure, false) as unsure,
        g.infusion_left,
        f.is_confirmed and not f.was_completed and f.end_kind <> 'bolus_started' and not f.begins_infusion
        and coalesce(f.last_decision, '') <> 'overridden' and not f.is_new_value and f.names_any
        and not coalesce(c.has_new_value, false) as keeps_old_values
    from attempt_frames as f
    left join decided as d
        on f.watch_no = d.watch_no and f.session = d.session
    left join limits as l
        on f.watch_no = l.watch_no and f.session = l.session
    left join changed as c
        on f.watch_no = c.watch_no and f.session = c.session
    left join attempt_leavings as g
        on f.watch_no = g.watch_no and f.session = g.session
),

based as (
    select
        *,
        case
            when ending = 'timed_out'
                then
                    case
                        -- the log says what was decided, though no programme follows
                        when says_any and not waits and says_overridden then 'overridden'
                        when says_any and not waits then 'within_limits'
                        when ran then 'unchanged'
                        else 'unknown'
                    end
            when ending = 'stopped' then 'unchanged'
            when ending in ('cancelled', 'power_or_patient')
                then case when ran then 'unchanged' when not ran then 'cancelled' else 'unknown' end
            when ending = 'left' then case when runs_in_library then 'unchanged' else 'unknown' end
            when keeps_old_values then 'unchanged'
            when values_after.library_use = 'bypassed' then 'unknown'
            when outside_soft then 'overridden'
            when unsure then 'unknown'
            -- past a hard limit: only if the log itself says so
            when outside_any then case when says_overridden then 'overridden' else 'unknown' end
            else 'within_limits'
        end as outcome_alone
    from joined
),

settled as (
    select
        *,
        case
            when
                outcome_alone in ('cancelled', 'unchanged', 'unknown') and infusion_left is not null
                then 'left_library'
            else outcome_alone
        end as outcome
    from based
)

select
    * exclude (
        says_overridden, says_any, waits, outside_soft, outside_any, unsure, outcome_alone, keeps_old_values, names_any,
        is_new_value, was_completed, begins_infusion, runs_in_library, last_decision
    ),
    case
        when outcome = 'left_library' then infusion_left
        when is_confirmed then infusion_confirmed
        when outcome = 'unchanged' then infusion_then
    end as infusion_id,
    outcome in ('overridden', 'within_limits')
    or (is_confirmed and coalesce(values_after.library_use, '') <> 'bypassed' and outcome <> 'left_library')
        as has_confirmed
from settled
