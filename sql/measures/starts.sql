-- title: Infusions that begin in a month, and what each counts as in start-based measures
-- grain: one infusion that begins in one of the months
-- note: what began by a patient change or before the log did is no start; a false start is counted apart
select
    i.infusion_id,
    i.pump_id,
    m.month,
    coalesce(i.care_area, 'none selected') as care_area,
    coalesce(i.entry, '') as entry,
    coalesce(i.pump_type, 'unknown') as pump_type,
    case when f.entry is null then 'unknown' when f.high_alert then 'yes' else 'no' end as high_alert,
    coalesce(g.log, i.source_name, 'unknown') as source,
    coalesce(i.source_name, 'unknown') as own_source,
    i.started_at,
    i.start_kind,
    i.continues_infusion_id,
    coalesce(i.uncertain, false) as uncertain,
    coalesce(i.library_use, 'unknown') as library_use,
    i.library_version,
    i.concentration_value,
    i.concentration_unit,
    case
        when coalesce(i.use_context, 'unknown') in ('maintenance', 'training') then i.use_context
        when i.start_kind in ('patient_change', 'missing') then i.start_kind
        when coalesce(i.false_start, false) then 'false_start'
        else 'start'
    end as counts_as,
    c.source_name is not null as can_log
from infusions as i
inner join site_months as m
    on i.started_at >= m.begins_at and i.started_at < m.ends_at
left join pump_logs as g
    on i.pump_id = g.pump_id and i.source_name = g.source_name and m.month = g.month
left join entry_flags as f
    on i.entry = f.entry
left join source_records as c
    on coalesce(g.log, i.source_name) = c.source_name and c.kind = 'infusion_started'
