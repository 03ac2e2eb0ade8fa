-- title: The starts of the month under each window of continuation, with date and eight-hour shift
-- grain: one start under one window
-- note: the date is that of the infusion as it was built, which under no window has more than one start
select
    w.variant as continuation,
    w.care_area,
    cast(timezone(t.zone, i.started_at) as date) as infusion_started_on,
    h.shift,
    i.entry,
    w.library_use,
    case
        when w.library_use in ('limited', 'no_limit_entry') then 'counted'
        when w.library_use = 'unknown' then 'left out'
        else 'not counted'
    end as library_use_starts,
    case
        when w.protected = 1 then 'counted' when w.protected is null then 'left out' else 'not counted'
    end as protected_share,
    i.pump_id,
    i.source_name as source,
    w.infusion_id
from starts_by_window as w
inner join report_month as m
    on w.month = m.month
inner join infusions as i
    on w.infusion_id = i.infusion_id
cross join measure_settings as t
inner join day_shifts as h
    on extract(hour from timezone(t.zone, i.started_at)) = h.hour_of_day
order by continuation, w.care_area, infusion_started_on, h.shift, w.infusion_id, w.library_use, w.protected
