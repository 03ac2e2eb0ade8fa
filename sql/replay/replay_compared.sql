-- title: What would become of each logged limit alert, and which would be new
-- grain: one recorded value, the confirmed one of an override standing for its alert only once
-- why: an override is one warning: the value that was confirmed is the value that was warned about, although a log may
-- round the one otherwise than the other, or not name the value that it warned about
with warned as (
    select
        attempt_id, limit_quantity,
        list(distinct value_6) as values_6
    from replay_verdicts
    where origin = 'alert' and value_6 is not null
    group by attempt_id, limit_quantity
),

overridden as (
    select attempt_id, limit_quantity
    from library_attempts
    where is_override
),

marked as (
    select
        v.*,
        v.origin = 'confirmed' and o.attempt_id is not null as was_overridden,
        v.origin = 'confirmed' and w.attempt_id is not null
        and (o.attempt_id is not null or coalesce(list_contains(w.values_6, v.value_6), false)) as stands_for_an_alert
    from replay_verdicts as v
    left join warned as w
        on v.attempt_id = w.attempt_id and v.limit_quantity = w.limit_quantity
    left join overridden as o
        on v.attempt_id = o.attempt_id and coalesce(v.limit_quantity = o.limit_quantity, true)
)

select
    m.value_key,
    m.origin,
    m.programming_id,
    m.attempt_id,
    m.infusion_id,
    m.pump_id,
    m.happened_at,
    m.care_area,
    m.entry,
    m.limit_quantity, m.logged_kind, m.logged_side, m.logged_limit, m.entered_value, m.entered_unit, m.row_no,
    m.rows_matched,
    m.value, m.value_6, m.limit_unit, m.crossed, m.verdict, m.stands_for_an_alert,
    a.outcome,
    case
        when m.verdict like 'not comparable%' then 'not_comparable'
        when m.origin = 'alert' and m.verdict = 'inside' then 'falls_away'
        when m.origin = 'alert' and coalesce(m.logged_kind, 'soft') = 'soft' and m.verdict like 'hard%' then 'hardens'
        when m.origin = 'alert' and m.logged_kind = 'hard' and m.verdict like 'soft%' then 'softens'
        when m.origin = 'alert' then 'stays'
        when m.verdict = 'inside' or m.stands_for_an_alert or m.was_overridden then 'nothing'
        else 'new'
    end as change,
    -- an infusion that ran with a value that the proposal would not have let through
    m.origin in ('confirmed', 'bypassed') and m.verdict like 'hard%' as would_be_blocked
from marked as m
left join library_attempts as a
    on m.attempt_id = a.attempt_id
