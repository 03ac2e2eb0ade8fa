-- title: Which channels a decision of the whole pump concerns
-- grain: one decision logged without a channel, on one channel of its pump
-- needs: attempt_sessions
-- why: it answers every attempt that is open; where none is, it is an alert that finds its channel (rulings 36, 37)
with based as (
    select
        s.watch_no, s.pump_no, s.place, s.session, s.is_decision, s.is_of_pump,
        coalesce(
            max(case when (s.is_alert and s.mine) or (s.is_decision and not s.is_of_pump) then 1 end) over earlier,
            0
        ) = 1 as open_before
    from attempt_sessions as s
    window earlier as (
        partition by s.watch_no, s.session order by s.place
        rows between unbounded preceding and 1 preceding
    )
),

answered as (
    select
        b.watch_no, b.pump_no, b.place, b.session, b.open_before, c.channel, e.belongs_to,
        max(case when b.open_before then 1 else 0 end) over (partition by b.pump_no, b.place) = 1 as any_open
    from based as b
    inner join watch_channels as c on b.watch_no = c.watch_no
    inner join watch_events as e on b.pump_no = e.pump_no and b.place = e.place
    where b.is_of_pump and b.is_decision
),

homeless as (
    select
        *,
        channel = '' and belongs_to = '' and not any_open as opens_pump,
        coalesce(
            max(case when channel = '' and belongs_to = '' and not any_open then 1 end) over (
                partition by watch_no, session order by place
                rows between unbounded preceding and 1 preceding
            ),
            0
        ) = 1 as pump_open_before
    from answered
),

told as (
    select
        *,
        max(case when pump_open_before then 1 else 0 end) over (partition by pump_no, place) = 1 as pump_is_open
    from homeless
),

opening as (
    select *, channel <> '' and belongs_to = channel and not any_open and not pump_is_open as opens_channel
    from told
)

select
    watch_no, place,
    open_before or opens_pump or pump_open_before or opens_channel
    or coalesce(
        max(case when opens_channel then 1 end) over (
            partition by watch_no, session order by place
            rows between unbounded preceding and 1 preceding
        ),
        0
    ) = 1 as mine
from opening
