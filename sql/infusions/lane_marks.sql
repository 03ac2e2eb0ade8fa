-- title: What runs, starts and ends at each row of a lane
-- grain: one row of the lane's log
-- order: place
-- why: its state and its programme side by side, with what happened on the channel's other line
with joined as (
    select
        v.lane_no, v.lane, v.place, v.floor_place, v.is_first, v.at_us, v.sign, v.own, v.mine, v.patient_turned,
        v.begins, v.opens, v.opens_unseen, v.opens_late, v.closes, v.state, v.state_before, v.is_late, v.is_waiting,
        v.waiting_before, v.waiting_since_us, v.waiting_since_before_us, v.gap_before, v.is_after_gap,
        v.patient_closes, v.patient_splits, v.proof_place_before, v.window_us,
        r.use_told, r.says_unknown, r.use_known, r.entry_named, r.entry_key, r.concentration_key, r.fluid,
        r.care_area_here, r.rate_ml_h, l.reached_us, l.volume_to_infuse_ml,
        -- place on this lane of what last began on the other
        o.other_place + v.lane * 68719476736 as other_opened_place,
        round(s.continue_after_stop_s * 1e6) as stop_window_us,
        round(s.no_gap_s * 1e6) as no_gap_us,
        v.begins or v.wakes as starts,
        v.state in ('running', 'bolus', 'keep_open') as delivers,
        v.mine and (
            (v.sign in ('change', 'programme') and v.state_before in ('running', 'bolus', 'unknown'))
            or (v.sign = 'change' and v.state_before = 'keep_open')
            or r.bypasses_now
        )
        and not v.begins and not v.wakes and v.state <> 'closed' as takes,
        v.state = 'closed' and (v.state_before <> 'closed' or v.opens or v.opens_late) as ends_here,
        coalesce(v.unsure_links = v.proof_unsure_links, false) as is_unbroken
    from lane_live as v
    cross join settings as s
    inner join lane_rates as r on v.place = r.place
    inner join lane_log as l on v.place = l.place
    left join lane_openings as o on v.place = o.place
)

select
    *,
    delivers or starts or opens or opens_late or takes as confirms_programme,
    case
        when not ends_here then null
        when is_late then 'late'
        when patient_closes and not closes then 'patient'
        else sign
    end as end_sign
from joined
order by place
