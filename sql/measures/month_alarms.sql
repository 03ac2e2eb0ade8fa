-- title: Alarms of the months, with what measures ask of them
-- grain: one alarm raised in one of the months, in clinical or unknown use
with unclear as (
    select
        event_id,
        alarm_kind is null or list_contains(unmapped, 'alarm') as has_no_kind,
        running_logged is not null as tells_running
    from events
    where
        kind in ('alarm_raised', 'alarm_updated')
        and (alarm_kind is null or list_contains(unmapped, 'alarm') or running_logged is not null)
),

ran as (
    select
        alarm_id,
        min(channel) as channel,
        min_by({'infusion_id': infusion_id, 'entry': entry}, channel) as running
    from alarm_channels
    where was_running
    group by alarm_id
)

select
    a.alarm_id,
    m.month,
    coalesce(a.care_area, 'none selected') as care_area,
    coalesce(r.running.entry, i.entry, '') as entry,
    coalesce(k.pump_type, 'unknown') as pump_type,
    case when f.entry is null then 'unknown' when f.high_alert then 'yes' else 'no' end as high_alert,
    coalesce(g.log, a.source_name, 'unknown') as source,
    a.pump_id,
    coalesce(r.running.infusion_id, a.infusion_id, a.alarm_id) as cluster,
    a.alarm_kind,
    coalesce(a.alarm_priority, 'not_stated') as alarm_priority,
    a.raw_count,
    a.raised_at,
    a.silenced_at,
    a.cleared_at,
    a.ended_at,
    r.alarm_id is not null as was_running,
    case
        when
            a.alarm_kind in (
                'occlusion', 'air_in_line', 'door_open', 'set_or_syringe', 'free_flow', 'near_end', 'end_of_infusion',
                'empty', 'no_action'
            )
            then 'delivery'
        when a.alarm_kind in ('low_battery', 'battery_empty', 'power', 'fault') then 'pump'
        else 'other'
    end as concerns,
    -- `other` by a person's filing is a kind; without one, or for a label that nobody has filed, it only stands in
    a.alarm_kind is not null and not coalesce(a.alarm_kind = 'other' and u.has_no_kind, false) as kind_told,
    a.stopped_delivery is not null or coalesce(u.tells_running, false) as effect_told
from alarms as a
inner join site_months as m
    on a.raised_at >= m.begins_at and a.raised_at < m.ends_at
left join pump_logs as g
    on a.pump_id = g.pump_id and a.source_name = g.source_name and m.month = g.month
left join ran as r
    on a.alarm_id = r.alarm_id
left join infusions as i
    on a.infusion_id = i.infusion_id
left join unclear as u
    on split_part(a.alarm_id, ':', 1) = u.event_id
left join pump_kinds as k
    on a.pump_id = k.pump_id
left join entry_flags as f
    on coalesce(r.running.entry, i.entry) = f.entry
where coalesce(a.use_context, 'unknown') not in ('maintenance', 'training')
