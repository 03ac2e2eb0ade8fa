-- title: When each alarm was first silenced
-- grain: one alarm that was silenced
-- why: a silencing that names nothing concerns all that sounds there; else the first open alarm that it names
with silences as (
    select
        watch_no,
        own_watch_no,
        pump_no,
        channel,
        place,
        at_us,
        thread,
        kind_named,
        alarm_id is null and alarm_kind is null as names_none
    from alarm_threads
    where kind = 'alarm_silenced'
),

heard as (
    select
        g.watch_no, s.place, s.at_us, s.names_none, g.alarm_kind, g.can_clear, g.alarm_number,
        row_number() over (
            partition by s.watch_no, s.place order by g.first_place
        ) as rank
    from silences as s
    inner join watch_channels as c on s.pump_no = c.pump_no
    inner join alarm_groups as g on c.watch_no = g.watch_no
    where
        g.first_place < s.place and s.place < coalesce(g.open_until, s.place + 1)
        and case
            when s.names_none then s.watch_no = g.watch_no or s.channel = ''
            else
                (s.watch_no = g.watch_no and s.thread = g.thread)
                or (s.own_watch_no = g.watch_no and g.thread = 'mute: ' || s.kind_named)
        end
)

select watch_no, alarm_kind, can_clear, alarm_number, arg_min(at_us, place) as silenced_us
from heard
where names_none or rank = 1
group by watch_no, alarm_kind, can_clear, alarm_number
