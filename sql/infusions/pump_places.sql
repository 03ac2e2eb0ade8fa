-- title: The one order of each pump's events that the rest relies on
-- grain: one event
-- why: by counter inside a run, by time between runs, then file rank, kind and id; a clock set back reorders nothing
with placed as (
    select
        l.pump_no, l.event_id, l.occurred_us, l.sequence, l.file_rank, l.tie_rank,
        r.run_number,
        r.reached_us,
        coalesce(
            r.run_number,
            max(r.run_number) over (
                partition by l.pump_no order by l.occurred_us range between unbounded preceding and current row
            ),
            0
        ) as block_number
    from infusion_log as l
    left join counter_runs as r on l.event_id = r.event_id
),

ordered as (
    select
        pump_no, event_id, occurred_us, sequence,
        row_number() over in_order as place,
        lag(occurred_us) over in_order as at_us_before,
        lag(sequence) over in_order as sequence_before
    from placed
    window in_order as (
        partition by pump_no
        order by
            block_number,
            coalesce(reached_us, occurred_us),
            case when run_number is null then 1 else 0 end,
            sequence nulls last,
            occurred_us,
            file_rank nulls first,
            tie_rank,
            event_id
    )
)

select
    pump_no, event_id, place, occurred_us as at_us, at_us_before,
    -- a lower number is a reset, and no gap (ruling 47)
    coalesce(sequence > sequence_before + 1, false) as after_gap,
    coalesce(occurred_us < at_us_before, false) as after_clock_back,
    -- how often nobody could say whether something was lost since the event before
    count(case when sequence is null or sequence_before is null then 1 end) over (
        partition by pump_no order by place rows between unbounded preceding and current row
    ) as unsure_links
from ordered
