-- title: Programmings of the month, and the limits that each met
-- grain: one programming
select
    l.care_area,
    m.happened_on,
    m.shift,
    l.entry,
    l.high_alert,
    l.phase,
    p.value,
    p.unit,
    case
        when not (l.can_log and l.use_told and l.soft_told) then 'left out'
        when l.met_soft then 'counted'
        else 'not counted'
    end as soft_alert_share,
    case
        when not (l.can_log and l.use_told and l.hard_told) then 'left out'
        when l.met_hard then 'counted'
        else 'not counted'
    end as hard_alert_share,
    p.pump_id,
    l.source,
    m.source_file,
    m.source_file_sha256,
    m.source_record,
    l.programming_id as id,
    m.local_time
from limit_programmings as l
inner join report_month as w
    on l.month = w.month
inner join programmings as p
    on l.programming_id = p.programming_id
inner join list_moments as m
    on m.list = 'programmings' and l.programming_id = m.id
order by l.care_area, m.happened_on, m.shift, l.programming_id
