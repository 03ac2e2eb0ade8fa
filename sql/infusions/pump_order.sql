-- title: The one order of each pump's events that the rest relies on
-- grain: one event, or one ignored record whose number can be read
-- order: order_place
-- why: by counter inside a run, by time between runs, then file rank, kind and id; a clock set back reorders nothing
with placed as (
    select
        l.pump_no, l.event_id, l.occurred_us, l.sequence, l.file_rank, l.tie_rank, l.is_event,
        r.run_number,
        r.reached_us,
        coalesce(
            r.run_number,
            max(r.run_number) over (
                partition by l.pump_no order by l.occurred_us range between unbounded preceding and current row
            ),
            0
        ) as block_number
    from counter_log as l
    left join counter_runs as r on l.event_id = r.event_id
)

select
    pump_no, event_id, occurred_us, sequence, is_event,
    row_number() over (
        order by
            pump_no,
            block_number,
            coalesce(reached_us, occurred_us),
            case when run_number is null then 1 else 0 end,
            sequence nulls last,
            occurred_us,
            file_rank nulls first,
            tie_rank,
            event_id
    ) as order_place
from placed
order by order_place
