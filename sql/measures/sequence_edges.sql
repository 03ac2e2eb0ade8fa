-- title: Where the numbers of a pump begin, end and occur again
-- grain: a numbered record at an edge of an unbroken run of numbers, or one whose number occurred before
-- why: of millions of numbers only these say anything about holes and resets
with neighbours as (
    select
        source,
        pump_id,
        sequence,
        device_time,
        occurred_at,
        lag(sequence) over by_number as before_number,
        lag(device_time) over by_number as before_time,
        lead(sequence) over by_number as next_number
    from sequence_records
    window by_number as (
        partition by source, pump_id
        order by sequence, device_time nulls last, occurred_at nulls last
    )
),

judged as (
    select
        source,
        pump_id,
        sequence,
        device_time,
        occurred_at,
        coalesce(sequence - before_number > 1, true) as opens,
        coalesce(next_number - sequence > 1, true) as closes,
        coalesce(sequence = before_number and device_time <> before_time, false) as repeats
    from neighbours
)

select *
from judged
where opens or closes or repeats
