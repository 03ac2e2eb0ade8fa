-- title: Where a pump's counter began anew
-- grain: a run of numbers that follows a break of the counter
-- note: runs of one life stand in time; one that begins at or below the end of the run before it shows that the
-- counter was reset, as does a new life. It wrapped where the run before ends at the largest number that a
-- counter of that size can show; those sizes are common practice, no source
with runs as (
    select
        source,
        pump_id,
        life,
        first_number,
        last_at,
        lag(life) over in_time as before_life,
        lag(last_number) over in_time as before_number,
        lag(last_at) over in_time as before_at
    from sequence_runs
    window in_time as (
        partition by source, pump_id
        order by life, last_at nulls last, first_number
    )
),

breaks as (
    select
        source,
        pump_id,
        before_number,
        before_at as broke_at,
        first_number
    from runs
    where before_number is not null and (life <> before_life or first_number <= before_number)
)

select
    source,
    pump_id,
    broke_at,
    before_number,
    first_number,
    first_number <= 1 and before_number + 1 in (
        256, 1000, 1024, 4096, 10000, 32768, 65536, 100000, 1000000, 10000000, 16777216, 100000000, 1000000000,
        2147483648, 4294967296
    ) as wrapped
from breaks
