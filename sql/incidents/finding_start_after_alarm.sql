-- title: Deliveries that began within seconds of a stopping alarm being cleared
-- grain: one alarm and the first start or resumption after it
select
    a.facility, a.pump_id, e.channel,
    a.cleared_at as at,
    min(e.occurred_at) as until_at,
    a.infusion_id,
    a.care_area,
    min_by(e.entry, {'at': epoch_us(e.occurred_at), 'id': e.event_id}) as entry,
    (min(epoch_us(e.occurred_at)) - epoch_us(a.cleared_at)) / 1000000.0 as size,
    cast(null as double) as before_value,
    (min(epoch_us(e.occurred_at)) - epoch_us(a.cleared_at)) / 1000000.0 as after_value,
    's' as unit,
    a.alarm_kind as detail,
    [
        split_part(a.alarm_id, ':', 1),
        min_by(e.event_id, {'at': epoch_us(e.occurred_at), 'id': e.event_id})
    ] as evidence
from alarms as a
cross join trace_settings as t
inner join events as e
    on
        a.facility = e.facility and a.pump_id = e.pump_id
        and (a.channel = e.channel or a.channel = '')
        and a.cleared_at <= e.occurred_at
        and epoch_us(e.occurred_at) - epoch_us(a.cleared_at) <= t.soon_after_clear_us
where
    e.kind in ('infusion_started', 'infusion_resumed')
    and a.alarm_kind in ('occlusion', 'air_in_line', 'door_open', 'set_or_syringe', 'free_flow', 'empty')
group by
    a.facility, a.pump_id, e.channel, a.alarm_id, a.cleared_at, a.infusion_id, a.care_area, a.alarm_kind
