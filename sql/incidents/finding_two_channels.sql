-- title: One entry running on two channels of a pump at the same time for long
-- grain: one pair of infusions
-- note: a relay, where one channel takes over from the other, overlaps for minutes only
with running as (
    select infusion_id, facility, pump_id, channel, entry, care_area, started_at, ended_at
    from segments
    where state = 'running' and entry is not null and entry <> 'unmapped'
),

pairs as (
    select
        a.infusion_id as first_id,
        b.infusion_id as second_id,
        a.facility, a.pump_id, a.entry,
        b.channel,
        b.care_area,
        greatest(a.started_at, b.started_at) as from_at,
        least(a.ended_at, b.ended_at) as to_at
    from running as a
    inner join running as b
        on
            a.facility = b.facility and a.pump_id = b.pump_id and a.entry = b.entry
            and a.channel < b.channel
            and a.started_at < b.ended_at and a.ended_at > b.started_at
)

select
    p.facility, p.pump_id, p.channel,
    min(p.from_at) as at,
    max(p.to_at) as until_at,
    p.second_id as infusion_id,
    min(p.care_area) as care_area,
    p.entry,
    cast(sum(epoch_us(p.to_at) - epoch_us(p.from_at)) as bigint) / 60000000.0 as size,
    cast(null as double) as before_value,
    cast(sum(epoch_us(p.to_at) - epoch_us(p.from_at)) as bigint) / 60000000.0 as after_value,
    'min' as unit,
    '' as detail,
    [split_part(p.first_id, ':', 1), split_part(p.second_id, ':', 1)] as evidence
from pairs as p
cross join trace_settings as t
group by p.facility, p.pump_id, p.channel, p.entry, p.first_id, p.second_id, t.two_channels_us
having sum(epoch_us(p.to_at) - epoch_us(p.from_at)) > t.two_channels_us
