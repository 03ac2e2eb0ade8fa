-- title: What the pumps that were touched logged lately
-- grain: one event
-- why: with the moments before and after it, and the line it stands on as in channel_values ('?' where not known)
select
    e.*,
    lag(e.occurred_at) over in_pump as heard_before,
    lead(e.occurred_at) over in_pump as heard_after,
    coalesce(
        e.fluid_source,
        arg_max(case when e.is_start then e.fluid_source end, e.occurred_at) over on_channel,
        arg_max(case when e.is_in_force then e.fluid_source end, e.occurred_at) over on_channel,
        '?'
    ) as line
from resume_events as e
window
    in_pump as (partition by e.facility, e.pump_id order by e.occurred_at),
    on_channel as (
        partition by e.facility, e.pump_id, e.channel order by e.occurred_at, e.event_id
        rows between unbounded preceding and current row
    )
