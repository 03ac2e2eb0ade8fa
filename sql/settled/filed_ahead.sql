-- title: Events that stand in the file of a later month than they happened in, three weeks before it at least
-- grain: month (UTC) in which they happened
-- why: a file is that of the pump's clock before correction; where a clock stood ahead, files of later months hold
-- events of a settled one. Its key names the files up to the month after: an event that is less than three weeks ahead
-- of its file's month lies in the month before it, and of those days only what a silent pump told next counts
-- (`power_silences`)
with files as (
    select
        month,
        min(occurred_at) as first_at
    from events
    group by month
),

-- mostly none: then no other column is read
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
