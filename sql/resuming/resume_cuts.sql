-- title: Moments at which nothing of a pump was open
-- grain: one time that the whole pump was switched off, and silent for longer than every window of the rules
-- why: power-off ends infusions, alarms and attempts and clears programme, care area and weight (rulings 4, 12, 13, 25)
select
    l.facility, l.pump_id,
    l.occurred_at as off_at,
    l.heard_after as on_at,
    row_number() over (partition by l.facility, l.pump_id order by l.occurred_at desc) as from_last
from (
    -- only what this asks for is put in order
    select
        facility, pump_id, channel, kind, occurred_at,
        lag(occurred_at) over in_pump as heard_before,
        lead(occurred_at) over in_pump as heard_after
    from resume_log
    window in_pump as (partition by facility, pump_id order by occurred_at)
) as l
cross join settings as s
inner join resume_pumps as p on l.facility = p.facility and l.pump_id = p.pump_id
where
    l.kind in ('powered_off', 'power_lost')
    -- of a pump that names its channels only what it logs without one concerns all of them
    and (l.channel = '' or p.channels = 1)
    and l.heard_before < l.occurred_at
    and l.heard_after < p.first_touched_at
    and epoch_us(l.heard_after) - epoch_us(l.occurred_at) > 1e6 * (
        60.0 + greatest(s.continue_after_stop_s, s.continue_after_pause_s, s.keep_open_wait_s, s.no_gap_s, 1800.0)
    )
