-- title: Which attempts were followed by delivery outside the library
-- grain: one attempt, with the infusion outside the library if one began within 10 min after its last alert
-- needs: attempt_sessions
-- why: unless another patient or a confirmed programme in the library came first (ruling 8)
with ahead as (
    select
        s.watch_no, s.place,
        arg_min(
            case
                when
                    s.patient_turned or coalesce(v.begins_under = 'bypassed', false)
                    or (s.confirms and coalesce(v.now.library_use in ('limited', 'no_limit_entry'), false))
                    then {
                        'infusion_id': case
                            when not s.patient_turned and v.begins_under = 'bypassed' then v.begins_infusion
                        end,
                        'at_us': v.begins_us
                    }
            end,
            s.place
        ) over (
            partition by s.watch_no order by s.place rows between 1 following and unbounded following
        ) as next_mark
    from attempt_sessions as s
    inner join programme_values as v on s.watch_no = v.watch_no and s.place = v.place
)

select
    f.watch_no, f.session,
    case
        when a.next_mark.at_us - f.last_alert_us between 0 and 600000000 then a.next_mark.infusion_id
    end as infusion_left
from attempt_frames as f
inner join ahead as a
    on f.watch_no = a.watch_no and f.last_alert_place = a.place
