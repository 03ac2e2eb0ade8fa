-- title: Kinds that the sources of one pump can log together
-- grain: log (named as a source), kind
-- note: where a rule of precedence treats pumps of the same sources differently, what can be logged of each of them
with variants as (
    select distinct
        log,
        rule_pump_id,
        source_name
    from pump_logs
),

claimed as (
    select distinct
        v.log,
        v.rule_pump_id,
        c.kind
    from variants as v
    inner join counting_records as c
        on v.rule_pump_id = c.pump_id and v.source_name = c.source_name
),

rules as (
    select
        log,
        count(distinct rule_pump_id) as amount
    from variants
    group by log
),

-- alarms are paired source by source: one that cannot log the clearing of what it raises has no burden (ruling 12)
mute as (
    select distinct v.log
    from variants as v
    inner join counting_records as r
        on v.rule_pump_id = r.pump_id and v.source_name = r.source_name and r.kind = 'alarm_raised'
    left join counting_records as c
        on v.rule_pump_id = c.pump_id and v.source_name = c.source_name and c.kind = 'alarm_cleared'
    where c.kind is null
)

select
    k.log as source_name,
    k.kind
from claimed as k
inner join rules as r
    on k.log = r.log
left join mute as m
    on k.log = m.log and k.kind = 'alarm_cleared'
where m.log is null
group by k.log, k.kind, r.amount
having count(*) = r.amount
