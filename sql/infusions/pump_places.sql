-- title: The one order of each pump's events that the rest relies on
-- grain: one event
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
),

ordered as (
    select
        pump_no, event_id, occurred_us, is_event,
        row_number() over in_order as row_place,
        -- a lower number is a reset, and no gap (ruling 47)
        sequence > lag(sequence) over in_order + 1 as misses,
        sequence is null or lag(sequence) over in_order is null as is_unsure
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
),

counted as (
    select
        *,
        count(case when misses then 1 end) over so_far as gaps,
        -- how often nobody could say whether something was lost since the row before
        count(case when is_unsure then 1 end) over so_far as unsure_links
    from ordered
    window so_far as (partition by pump_no order by row_place rows between unbounded preceding and current row)
)

-- what a rule ignores tells only that its number was not lost
select
    pump_no, event_id,
    row_number() over in_order as place,
    occurred_us as at_us,
    lag(occurred_us) over in_order as at_us_before,
    coalesce(gaps > lag(gaps) over in_order, false) as after_gap,
    coalesce(occurred_us < lag(occurred_us) over in_order, false) as after_clock_back,
    unsure_links
from counted
where is_event
window in_order as (partition by pump_no order by row_place)
