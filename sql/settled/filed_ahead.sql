-- title: Events that stand in the file of a later month than they happened in, the next one left out, and what they say
-- grain: month (UTC) in which they happened
-- why: a file is that of the pump's clock before correction; of a clock that stood months ahead, a settled month has
-- events in files of later months
with files as (
    select
        month,
        min(occurred_at) as first_at
    from events
    group by month
),

-- mostly none: then no other column is read. What happened in the month before a file's own is no matter, for its key
-- names the file; a month less 21 days is more than zones are apart
early as (
    select *
    from (
        select
            month,
            first_at,
            timezone('UTC', strptime(month, '%Y-%m') - to_days(21)) as since
        from files
    ) as f
    where f.first_at < f.since
),

ahead as (
    select
        e.occurred_at,
        md5_number(cast(e as varchar)) as said
    from events as e
    inner join early as f
        on e.month = f.month and e.occurred_at < f.since
)

select
    min(occurred_at) as first_at,
    count(*) as events,
    -- as text: in any order the same, and no number of the engine's holds a sum of them
    cast(bit_xor(said) as varchar) as said
from ahead
group by date_trunc('month', timezone('UTC', occurred_at))
