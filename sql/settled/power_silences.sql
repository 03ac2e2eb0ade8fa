-- title: What pumps told next that were silent from the end of a month on
-- grain: month, pump, event at the first instant after that silence
-- why: a pump that stays on and is heard again weeks later was on at the end of that month as well; one that is
-- switched on then was not
-- note: of silences up to three weeks before the end of the month after. What was told before that stands in the files
-- of these two months, or `filed_ahead` tells it; a later event may stand in any file, for a clock may stand ahead
with spoken_days as (
    select
        pump_id,
        min(occurred_at) as first_at,
        max(occurred_at) as last_at
    from power_events
    -- plain arithmetic: a day by the engine's calendar costs ten times as much
    group by pump_id, epoch_us(occurred_at) // 86400000000
),

followed as (
    select
        pump_id,
        last_at,
        lead(first_at) over in_time as next_at
    from spoken_days
    window in_time as (partition by pump_id order by first_at)
),

silent as (
    select
        m.month,
        f.pump_id,
        f.next_at
    from followed as f
    inner join site_months as m
        -- a day more than the three weeks: the months of the files are those of UTC
        on f.last_at < m.ends_at and f.next_at >= m.next_ends_at - to_microseconds(cast(22 as bigint) * 86400000000)
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
