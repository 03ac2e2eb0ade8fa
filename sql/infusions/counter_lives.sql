-- title: Which life of the pump's counter an event belongs to
-- grain: one event whose source declares its sequence reliable
-- why: a number that occurs a second time shows a reset; the lives are told apart by the pump's clock (ruling 47)
with steps as (
    select
        *,
        coalesce(lag(pump_no) over () = pump_no, false) as follows,
        lag(sequence) over () as sequence_before,
        lag(device_time) over () as device_time_before
    from counter_order
),

climbs as (
    select
        *,
        count(
            case
                when
                    not follows
                    or sequence < sequence_before
                    or (sequence = sequence_before and device_time <> device_time_before)
                    then 1
            end
        ) over (rows between unbounded preceding and current row) as climb
    from steps
),

reached as (
    select
        climb,
        max(max(occurrence)) over (
            partition by pump_no order by climb rows between unbounded preceding and current row
        ) as life
    from climbs
    group by pump_no, climb
)

select
    c.pump_no, c.event_id, c.sequence, c.record_place, c.tie_rank, c.file_rank, c.occurred_us, r.life
from climbs as c
inner join reached as r on c.climb = r.climb
