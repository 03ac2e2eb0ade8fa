-- title: Unbroken runs of the pump's counter
-- grain: one event whose source declares its sequence reliable
-- why: inside a run the counter orders; runs stand in order of their first instant (ruling 47)
with islands as (
    select
        *,
        sequence - dense_rank() over (partition by pump_no, life order by sequence) as island
    from counter_lives
),

reached as (
    select
        *,
        first_value(occurred_us) over in_run as run_first_us,
        max(occurred_us) over (in_run rows between unbounded preceding and current row) as reached_us
    from islands
    window in_run as (
        partition by pump_no, life, island
        order by sequence, occurred_us, file_rank nulls first, tie_rank, event_id
    )
)

select
    pump_no, event_id, reached_us,
    dense_rank() over (partition by pump_no order by run_first_us, life, island) as run_number
from reached
