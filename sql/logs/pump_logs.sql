-- title: Which sources tell of the same pump, in the months in which several do
-- grain: pump, month, source
-- note: `log` names them all. A source is one of a pump's from the month in which it first tells of it, in every
-- month in which it tells of any pump: that it had nothing to say of this one is no silence
-- why: what a log can show of a pump is what all of its sources can
with begun as (
    select
        pump_id,
        source_name,
        min(occurred_at) as first_at
    from events
    group by pump_id, source_name
),

-- of most pumps one source tells, and nothing is asked of it
several as (
    select b.*
    from begun as b
    semi join (
        select pump_id
        from begun
        group by pump_id
        having count(*) > 1
    ) as n
        on b.pump_id = n.pump_id
),

speaking as (
    select distinct
        e.source_name,
        m.month
    from events as e
    inner join site_months as m
        on e.occurred_at >= m.begins_at and e.occurred_at < m.ends_at
    where e.source_name in (select source_name from several)
),

ruled as (
    select
        b.pump_id,
        b.source_name,
        b.first_at,
        coalesce(r.pump_id, '') as rule_pump_id
    from several as b
    left join (select distinct pump_id from counting_records) as r
        on b.pump_id = r.pump_id
),

told as (
    select
        b.pump_id,
        b.rule_pump_id,
        m.month,
        b.source_name
    from ruled as b
    -- a source whose word counts for nothing is evidence only
    inner join (select distinct pump_id, source_name from counting_records) as c
        on b.rule_pump_id = c.pump_id and b.source_name = c.source_name
    inner join speaking as s
        on b.source_name = s.source_name
    inner join site_months as m
        on s.month = m.month and b.first_at < m.ends_at
),

named as (
    select
        pump_id,
        month,
        string_agg(source_name, ' + ' order by source_name) as log
    from told
    group by pump_id, month
    having count(*) > 1
)

select
    t.pump_id,
    t.rule_pump_id,
    t.month,
    t.source_name,
    n.log
from told as t
inner join named as n
    on t.pump_id = n.pump_id and t.month = n.month
