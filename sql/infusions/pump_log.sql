-- title: Every event in the one order that the rest relies on
-- grain: one event
-- why: by counter inside a run, by time between runs, then file rank, kind and id; a clock set back reorders nothing
with placed as (
    select
        l.*,
        r.run_number,
        r.reached_us,
        coalesce(
            r.run_number,
            max(r.run_number) over (
                partition by l.facility, l.pump_id order by l.occurred_us
                range between unbounded preceding and current row
            ),
            0
        ) as block_number
    from infusion_log as l
    left join counter_runs as r on l.event_id = r.event_id
),

ordered as (
    select
        * exclude (occurred_us),
        occurred_us as at_us,
        row_number() over in_order as place,
        lag(occurred_us) over in_order as at_us_before,
        lag(sequence) over in_order as sequence_before
    from placed
    window in_order as (
        partition by facility, pump_id
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
    * exclude (run_number, reached_us, block_number, tie_rank, file_rank, record_place, device_time, sequence_before),
    -- a lower number is a reset, and no gap (ruling 47)
    coalesce(sequence > sequence_before + 1, false) as after_gap,
    coalesce(at_us < at_us_before, false) as after_clock_back,
    -- how often nobody could say whether something was lost since the event before
    count(case when sequence is null or sequence_before is null then 1 end) over (
        partition by facility, pump_id order by place rows between unbounded preceding and current row
    ) as unsure_links
from ordered
