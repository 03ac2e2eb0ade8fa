-- title: Months of a source in which what a measure counts happened, and the log tells of none what it is
-- grain: measure, source, month
-- why: alarms without a kind or an effect, and changes without a rate, would read as a rate of 0
select
    m.measure,
    a.source,
    a.month
from month_alarms as a
cross join (values ('delivery_alarm_rate'), ('pump_alarm_rate')) as m (measure)
group by m.measure, a.source, a.month
having not bool_or(a.kind_told)
union all
select
    'delivery_lost' as measure,
    a.source,
    a.month
from month_alarms as a
left join (select distinct source, month from stopped_stretches) as s
    on a.source = s.source and a.month = s.month
where a.was_running and s.source is null
group by a.source, a.month
-- a low battery stops nothing, whatever the log tells: it shows no effect of the others
having bool_or(not a.effect_told) and not bool_or(a.effect_told and a.alarm_kind is distinct from 'low_battery')
union all
select
    'user_rate_changes' as measure,
    source,
    month
from rate_change_tellings
group by source, month
having not bool_or(is_told)
