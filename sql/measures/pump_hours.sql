-- title: Powered-on time of each pump in each month
-- grain: month, pump, source
select
    m.month,
    p.pump_id,
    coalesce(g.log, p.source) as source,
    cast(
        sum(epoch_us(least(p.ended_at, m.ends_at)) - epoch_us(greatest(p.began_at, m.begins_at))) as bigint
    ) as elapsed_us
from pump_power as p
inner join site_months as m
    on p.began_at < m.ends_at and p.ended_at > m.begins_at
left join pump_logs as g
    on p.pump_id = g.pump_id and p.source = g.source_name and m.month = g.month
where p.use_context not in ('maintenance', 'training')
group by m.month, p.pump_id, coalesce(g.log, p.source)
