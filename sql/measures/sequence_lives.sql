-- title: Records of pumps whose counter was reset, with the life of the counter that each belongs to
-- grain: source, pump, life, number
-- note: a number that occurs again shows that the counter began anew; from then on (by the pump's clock) it is
-- another life, so that its numbers fill no hole of the former one
with repeating as (
    select distinct
        source,
        pump_id
    from sequence_edges
    where repeats
),

records as (
    select
        r.source,
        r.pump_id,
        r.sequence,
        r.device_time,
        min(r.occurred_at) as occurred_at
    from sequence_records as r
    inner join repeating as p
        on r.source = p.source and r.pump_id = p.pump_id
    group by r.source, r.pump_id, r.sequence, r.device_time
),

occurrences as (
    select
        source,
        pump_id,
        device_time,
        row_number() over (
            partition by source, pump_id, sequence
            order by device_time
        ) as occurrence
    from records
    where device_time is not null
),

beginnings as (
    select
        source,
        pump_id,
        occurrence,
        min(device_time) as begins
    from occurrences
    where occurrence > 1
    group by source, pump_id, occurrence
),

lives as (
    select
        r.source,
        r.pump_id,
        r.sequence,
        r.device_time,
        r.occurred_at,
        count(b.begins) as life
    from records as r
    left join beginnings as b
        on r.source = b.source and r.pump_id = b.pump_id and r.device_time >= b.begins
    group by r.source, r.pump_id, r.sequence, r.device_time, r.occurred_at
)

select
    source,
    pump_id,
    life,
    sequence,
    min(occurred_at) as occurred_at
from lives
group by source, pump_id, life, sequence
