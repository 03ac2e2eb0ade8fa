-- title: The place of each event on its pump, and what nobody can say was not lost before it
-- grain: one event
-- why: places rise by one from 1; what a rule ignores tells only that its number was not lost
with steps as (
    select
        *,
        coalesce(lag(pump_no) over () = pump_no, false) as follows,
        lag(sequence) over () as sequence_before
    from pump_order
),

counted as (
    select
        pump_no, event_id, occurred_us, is_event,
        -- a lower number is a reset, and no gap (ruling 47)
        count(case when follows and sequence > sequence_before + 1 then 1 end) over so_far as gaps,
        -- how often nobody could say whether something was lost since the row before
        count(case when not follows or sequence is null or sequence_before is null then 1 end) over so_far
            as unsure_links
    from steps
    window so_far as (rows between unbounded preceding and current row)
),

numbered as (
    select
        * exclude (is_event),
        row_number() over () as number,
        coalesce(lag(pump_no) over () = pump_no, false) as follows,
        lag(gaps) over () as gaps_before,
        lag(occurred_us) over () as us_before
    from counted
    where is_event
)

select
    pump_no, event_id,
    number + 1 - max(number) filter (where not follows) over (rows between unbounded preceding and current row)
        as place,
    occurred_us as at_us,
    case when follows then us_before end as at_us_before,
    follows and gaps > gaps_before as after_gap,
    follows and occurred_us < us_before as after_clock_back,
    unsure_links
from numbered
