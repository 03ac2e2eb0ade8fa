-- title: Which condition each row about alarms speaks of
-- grain: one row about an alarm
-- why: by its id; without one by the first open one of its kind that has an id, else by its kind
with identified as (
    select
        watch_no, power_session, alarm_id, place, sounds, kind_named,
        sounds and coalesce(not lag(sounds) over in_id, true) as opens,
        min(case when not sounds then place end) over (
            in_id rows between 1 following and unbounded following
        ) as clear_place
    from alarm_marks
    where alarm_id is not null and can_clear and kind <> 'alarm_silenced'
    window in_id as (partition by watch_no, power_session, alarm_id order by place)
),

conditions as (
    select * from identified
    where opens
),

-- the first open one with the row's id, or of the kind of a row without id
matched as (
    select
        r.watch_no, r.place,
        arg_min(c.alarm_id, c.place) as alarm_id
    from alarm_marks as r
    inner join conditions as c
        on
            r.watch_no = c.watch_no
            and r.power_session = c.power_session
    where
        r.can_clear and c.place < r.place and r.place <= coalesce(c.clear_place, r.place)
        and case when r.alarm_id is null then r.alarm_kind is not null or r.kind <> 'alarm_silenced' else true end
        and case when r.alarm_id is null then r.kind_named = c.kind_named else r.alarm_id = c.alarm_id end
    group by r.watch_no, r.place
)

select
    r.*,
    case
        when not r.can_clear then 'mute: ' || r.kind_named
        when r.sounds and r.alarm_id is not null then 'id: ' || r.alarm_id
        when m.alarm_id is not null then 'id: ' || m.alarm_id
        else 'kind: ' || r.kind_named
    end as thread
from alarm_marks as r
left join matched as m
    on r.watch_no = m.watch_no and r.place = m.place
