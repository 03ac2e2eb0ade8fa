-- title: Months of a source in which limits warned, and no alert logs whether its limit was soft or hard
-- grain: kind of limit, source, month
-- why: without the field that tells it nothing meets a hard limit, and of soft ones only what was overridden is known:
-- a false 0, and a share of those who went on
with warned as (
    select
        coalesce(g.log, p.source_name, 'unknown') as source,
        m.month,
        a.met_soft or a.met_hard as is_known,
        k.event_id is not null as is_kindless,
        coalesce(not k.is_override, false) as may_be_either
    from programmings as p
    inner join attempts as a
        on p.attempt_id = a.attempt_id
    inner join site_months as m
        on p.at >= m.begins_at and p.at < m.ends_at
    left join pump_logs as g
        on p.pump_id = g.pump_id and p.source_name = g.source_name and m.month = g.month
    left join kindless_alerts as k
        on split_part(a.attempt_id, ':', 1) = k.event_id
    where coalesce(p.use_context, 'unknown') not in ('maintenance', 'training')
),

months as (
    select
        source,
        month,
        bool_or(not is_known) as lacks_soft,
        bool_or(not is_known or may_be_either) as lacks_hard
    from warned
    group by source, month
    having not bool_or(is_known and not is_kindless)
)

select
    'soft' as limit_kind,
    source,
    month
from months
where lacks_soft
union all
select
    'hard' as limit_kind,
    source,
    month
from months
where lacks_hard
