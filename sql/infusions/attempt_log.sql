-- title: The rows of each attempt
-- grain: one event of one attempt, from its first limit alert to the row that ends it
-- needs: attempt_sessions
-- why: an attempt begins with the first alert, or decision without one, since the last ended (ruling 36)
with owned as (
    select s.* replace (coalesce(d.mine, s.mine) as mine)
    from attempt_sessions as s
    left join decision_places as d on s.watch_no = d.watch_no and s.place = d.place
),

opened as (
    select
        watch_no, session,
        min(place) filter (where mine and (is_alert or is_decision)) as first_place,
        max(place) as last_place
    from owned
    group by watch_no, session
    having first_place is not null
),

kept as (
    select w.*, o.first_place, o.last_place
    from owned as w
    inner join opened as o on w.watch_no = o.watch_no and w.session = o.session
    where w.place >= o.first_place
)

select
    k.watch_no, k.session, k.place, k.first_place, k.last_place, k.at_us, k.mine, k.ending, k.next_us, k.active_us,
    e.* exclude (pump_no, place, at_us),
    c.channel,
    case when k.own then e.event_id else e.event_id || ':' || c.channel end as row_id,
    v.* exclude (watch_no, place),
    k.mine and (e.is_alert or e.decision is not null) as is_limit_row,
    -- only a soft limit can be confirmed past, so an override says soft
    coalesce(e.limit_kind, case when e.decision = 'overridden' then 'soft' end) as limit_kind_told
from kept as k
inner join watch_events as e on k.pump_no = e.pump_no and k.place = e.place
inner join watch_channels as c on k.watch_no = c.watch_no
inner join programme_values as v on k.watch_no = v.watch_no and k.place = v.place
