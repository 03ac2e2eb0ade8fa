-- title: Numbers of the pump's counter in the order of its clock
-- grain: one event whose source declares its sequence reliable
-- order: clock_place
-- why: a number that occurs a second time shows a reset (ruling 47), and which came first is the clock's to say. At one
-- instant it is one number, whatever the readings: sources that report a pump in two zones reset nothing
with seconds as (
    select
        pump_no, device_time,
        lag(max(sequence)) over (partition by pump_no order by device_time) as top_before
    from counter_log
    where sequence is not null
    group by pump_no, device_time
),

told as (
    select
        *,
        min(device_time) over (partition by pump_no, sequence, record_place, occurred_us) as first_reading
    from counter_log
    where sequence is not null
)

select
    l.* exclude (first_reading),
    dense_rank() over (
        partition by l.pump_no, l.sequence, l.record_place order by l.first_reading
    ) as occurrence,
    row_number() over (
        order by
            l.pump_no,
            l.device_time,
            -- within one reading of the clock, numbers that go on come before those that begin anew
            case when l.sequence > s.top_before then 0 else 1 end,
            l.sequence,
            l.record_place,
            l.event_id
    ) as clock_place
from told as l
inner join seconds as s on l.pump_no = s.pump_no and l.device_time = s.device_time
order by clock_place
