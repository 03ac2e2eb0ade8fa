-- title: Unbroken runs of numbers of one pump, and how many numbers are missing after each
-- grain: source, pump, run
-- note: runs stand in the order of their first instant; where the next one begins lower, the counter was reset,
-- and nothing is missing. The hole belongs to the instant of the last record before it
with repeating as (
    select distinct
        source,
        pump_id
    from sequence_edges
    where repeats
),

plain as (
    select
        e.source,
        e.pump_id,
        e.sequence,
        e.occurred_at,
        e.opens,
        e.closes,
        sum(case when e.opens then 1 else 0 end) over (
            partition by e.source, e.pump_id
            order by e.sequence, e.closes, e.device_time nulls last
            rows between unbounded preceding and current row
        ) as island
    from sequence_edges as e
    left join repeating as p
        on e.source = p.source and e.pump_id = p.pump_id
    where p.pump_id is null
),

renewed as (
    select
        source,
        pump_id,
        life,
        sequence,
        occurred_at,
        sequence - row_number() over (
            partition by source, pump_id, life
            order by sequence
        ) as island
    from sequence_lives
),

runs as (
    select
        source,
        pump_id,
        0 as life,
        min(sequence) as first_number,
        max(sequence) as last_number,
        min(case when opens then occurred_at end) as first_at,
        max(case when closes then occurred_at end) as last_at
    from plain
    group by source, pump_id, island
    union all
    select
        source,
        pump_id,
        life,
        min(sequence) as first_number,
        max(sequence) as last_number,
        min_by(occurred_at, sequence) as first_at,
        max_by(occurred_at, sequence) as last_at
    from renewed
    group by source, pump_id, life, island
),

neighbours as (
    select
        source,
        pump_id,
        life,
        first_number,
        last_number,
        last_at,
        lead(first_number) over in_time as next_number,
        lead(life) over in_time as next_life
    from runs
    window in_time as (
        partition by source, pump_id
        order by life, coalesce(first_at, last_at) nulls last, first_number
    )
),

holes as (
    select
        *,
        case
            when next_life = life and next_number > last_number + 1 then next_number - last_number - 1
            else 0
        end as width
    from neighbours
),

-- a run that stands elsewhere in time may lie in the hole: its numbers are not missing
filled as (
    select
        h.source,
        h.pump_id,
        h.life,
        h.last_number,
        cast(sum(r.last_number - r.first_number + 1) as bigint) as numbers
    from holes as h
    inner join runs as r
        on
            h.source = r.source
            and h.pump_id = r.pump_id
            and h.life = r.life
            and h.last_number < r.first_number
            and h.next_number > r.last_number
    where h.width > 0
    group by h.source, h.pump_id, h.life, h.last_number
)

select
    h.source,
    h.pump_id,
    h.life,
    h.first_number,
    h.last_number,
    h.last_at,
    cast(h.width - coalesce(f.numbers, 0) as bigint) as missing_after
from holes as h
left join filled as f
    on h.source = f.source and h.pump_id = f.pump_id and h.life = f.life and h.last_number = f.last_number
