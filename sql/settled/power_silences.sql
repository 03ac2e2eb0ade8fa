-- title: What pumps told next that were silent from the end of a month to the end of the one after
-- grain: month, pump, event at the first instant after that silence
-- why: a pump that stays on and is heard again months later was on at the end of that month as well; one that is
-- switched on then was not
-- note: by the months (UTC) in which they happened: the file of an event is that of the clock before correction
with spoken_days as (
    select
        pump_id,
        min(occurred_at) as first_at,
        max(occurred_at) as last_at
    from power_events
    -- plain arithmetic: a month by the engine's calendar costs ten times as much
    group by pump_id, epoch_us(occurred_at) // 86400000000
),

spoken as (
    select
        pump_id,
        strftime(timezone('UTC', first_at), '%Y-%m') as month,
        min(first_at) as first_at,
        max(last_at) as last_at
    from spoken_days
    group by pump_id, strftime(timezone('UTC', first_at), '%Y-%m')
),

followed as (
    select
        pump_id,
        month,
        last_at,
        lead(month) over in_time as next_month,
        lead(first_at) over in_time as next_at
    from spoken
    window in_time as (partition by pump_id order by month)
),

silent as (
    select
        m.month,
        f.pump_id,
        f.next_at
    from followed as f
    inner join site_months as m
        on
            f.month <= strftime(m.ends_local, '%Y-%m')
            and f.next_month > strftime(m.ends_local, '%Y-%m')
            and f.last_at < m.ends_at
)

select
    s.month,
    s.pump_id,
    e.source,
    e.occurred_at,
    e.sequence,
    e.event_id,
    e.kind
from silent as s
inner join power_events as e
    on s.pump_id = e.pump_id and s.next_at = e.occurred_at
