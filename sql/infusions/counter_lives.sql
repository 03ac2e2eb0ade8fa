-- title: Which life of the pump's counter an event belongs to
-- grain: one event whose source declares its sequence reliable
-- why: a number that occurs a second time shows a reset; the lives are told apart by the pump's clock (ruling 47)
with seconds as (
    select
        pump_no, device_time,
        lag(max(sequence)) over (partition by pump_no order by device_time) as top_before
    from counter_log
    where sequence is not null
    group by pump_no, device_time
),

counted as (
    select
        l.*,
        -- within one reading of the clock, numbers that go on come before those that begin anew
        case when l.sequence > s.top_before then 0 else 1 end as begins_anew
    from counter_log as l
    inner join seconds as s on l.pump_no = s.pump_no and l.device_time = s.device_time
    where l.sequence is not null
),

steps as (
    select
        pump_no, event_id, sequence, record_place, tie_rank, file_rank, occurred_us, device_time, begins_anew,
        dense_rank() over (
            partition by pump_no, sequence, record_place order by device_time
        ) as occurrence,
        lag(sequence) over by_clock as sequence_before,
        lag(device_time) over by_clock as device_time_before
    from counted
    window by_clock as (
        partition by pump_no order by device_time, begins_anew, sequence, record_place, event_id
    )
),

climbs as (
    select
        *,
        count(
            case
                when
                    sequence < sequence_before
                    or (sequence = sequence_before and device_time <> device_time_before)
                    then 1
            end
        ) over (
            partition by pump_no order by device_time, begins_anew, sequence, record_place, event_id
            rows between unbounded preceding and current row
        ) as climb
    from steps
)

select
    pump_no, event_id, sequence, record_place, tie_rank, file_rank, occurred_us,
    max(occurrence) over (
        partition by pump_no order by climb range between unbounded preceding and current row
    ) as life
from climbs
