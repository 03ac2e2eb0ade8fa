-- title: Which attempts were followed by delivery outside the library
-- grain: one attempt, with the infusion outside the library if one began within 10 min after its last alert
-- needs: attempt_sessions
-- why: unless another patient or a confirmed programme in the library came first (ruling 8)
with marks as (
    select
        s.watch_no, s.place,
        case when not s.patient_turned and v.begins_under = 'bypassed' then v.begins_infusion end as infusion_id,
        v.begins_us as at_us
    from attempt_sessions as s
    inner join programme_values as v on s.watch_no = v.watch_no and s.place = v.place
    where
        s.patient_turned or v.begins_under = 'bypassed'
        or (s.confirms and v.now.library_use in ('limited', 'no_limit_entry'))
)

select
    f.watch_no, f.session,
    case when m.at_us - f.last_alert_us between 0 and 600000000 then m.infusion_id end as infusion_left
from attempt_frames as f
asof left join marks as m
    on f.watch_no = m.watch_no and f.last_alert_place < m.place
