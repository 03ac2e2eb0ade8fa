-- title: Infusions that ran outside the drug library
-- grain: one infusion
-- note: the drug is known only where an order or the infusion that this one continues names it; `detail` holds that
-- entry, and is empty where the drug is unknown
with ordered as (
    select
        i.infusion_id,
        max_by(e.entry, {'at': epoch_us(e.occurred_at), 'id': e.event_id}) as entry
    from infusions as i
    inner join events as e
        on
            i.facility = e.facility and i.pump_id = e.pump_id
            and (i.channel = e.channel or e.channel = '')
            and i.started_at >= e.occurred_at
            and epoch_us(i.started_at) - epoch_us(e.occurred_at) <= 1800000000
    where i.library_use = 'bypassed' and e.kind in ('order_received', 'order_accepted') and e.entry is not null
    group by i.infusion_id
)

select
    i.facility, i.pump_id, i.channel,
    i.started_at as at,
    coalesce(i.ended_at, i.started_at) as until_at,
    i.infusion_id, i.care_area, i.entry,
    cast(null as double) as size,
    cast(null as double) as before_value,
    cast(i.volume_ml as double) as after_value,
    'mL' as unit,
    coalesce(b.entry, o.entry, '') as detail,
    [split_part(i.infusion_id, ':', 1)] as evidence
from infusions as i
left join infusions as b
    on i.continues_infusion_id = b.infusion_id and b.entry <> 'unmapped'
left join ordered as o on i.infusion_id = o.infusion_id
where i.library_use = 'bypassed'
