-- title: What each row of a lane tells of programme and library use
-- grain: one row of the lane's log
-- order: place
-- why: beside the state that it finds, which decides whether what it tells is in force
with signs as (
    select
        v.lane_no, v.place, v.is_first, v.sign, v.state_before, v.reopens, v.at_zero_before, v.bypasses_now, v.confirms,
        l.library_use, l.entry, l.entry_key, l.concentration_value, l.concentration_unit, l.dose_value,
        l.dose_unit, l.rate_ml_h, l.bolus_adds_to_basal, l.weight_here, l.bsa_here, l.fluid, l.care_area_here,
        v.opens_unseen and not v.opens_idle as opens_unseen,
        l.mine and (
            l.sign in ('start', 'delayed', 'dose', 'change', 'programme', 'bypass')
            or (l.in_force_kind and l.kind = 'weight_changed')
            or (l.kind = 'volume_reported' and v.state = 'running')
        ) as tells_rate,
        b.place is not null as bypass_arrives
    from lane_live as v
    inner join lane_log as l on v.place = l.place
    left join lane_bypasses as b on v.place = b.place
)

select
    * exclude (bypass_arrives),
    case
        when bypasses_now or bypass_arrives then 'bypassed'
        when confirms then nullif(library_use, 'unknown')
    end as use_told,
    coalesce(confirms and library_use = 'unknown' and not bypasses_now and not bypass_arrives, false) as says_unknown,
    bypasses_now or bypass_arrives as bypasses
from signs
order by place
