-- title: What the log says was decided on each quantity of an attempt
-- grain: one quantity of one attempt that a decision is about ('' where the alert names none)
-- needs: attempt_sessions
-- why: a key row that names no quantity answers by its id, else all that waits, else what was alerted last
with rows_told as (
    select
        *,
        counts or not is_decision_kind as is_alertish,
        coalesce(decision in ('overridden', 'within_limits'), false) as decides
    from attempt_rows
),

by_id as (
    select watch_no, session, alert_id, arg_min(quantity, place) as quantity
    from rows_told
    where counts and alert_id is not null
    group by watch_no, session, alert_id
),

addressed as (
    select
        r.*,
        r.decides and (r.limit_quantity is not null or not r.is_decision_kind) as is_explicit,
        case when r.decides and r.limit_quantity is null and r.is_decision_kind then b.quantity end as quantity_by_id,
        r.decides and r.limit_quantity is null and r.is_decision_kind and b.quantity is null as is_for_all,
        arg_max(case when r.is_alertish then r.quantity end, r.place) over (
            partition by r.watch_no, r.session order by r.place
            rows between unbounded preceding and current row
        ) as last_alerted
    from rows_told as r
    left join by_id as b
        on
            r.watch_no = b.watch_no and r.session = b.session
            and r.alert_id = b.alert_id
),

grid as (
    select
        a.*, q.quantity as asked,
        a.is_alertish and a.quantity = q.quantity as alerts_here,
        a.decides
        and (
            a.is_for_all or coalesce(a.quantity_by_id = q.quantity, false)
            or (a.is_explicit and (a.quantity = q.quantity or q.quantity = ''))
        ) as may_answer
    from addressed as a
    inner join (
        select distinct watch_no, session, quantity
        from rows_told
        where is_alertish or decides
    ) as q
        on a.watch_no = q.watch_no and a.session = q.session
),

waited as (
    select
        *,
        coalesce(max(case when alerts_here then place end) over here, 0)
        > coalesce(max(case when may_answer then place end) over before, 0) as waits,
        arg_max(
            case when alerts_here then {'value': entered_value, 'unit': limit_unit, 'has_row': true} end,
            place
        ) over here as alerted
    from grid
    window
        here as (
            partition by watch_no, session, asked order by place
            rows between unbounded preceding and current row
        ),
        before as (
            partition by watch_no, session, asked order by place
            rows between unbounded preceding and 1 preceding
        )
),

answered as (
    select
        *,
        max(case when waits then 1 else 0 end) over (partition by watch_no, session, place) = 1
            as any_waits
    from waited
),

told as (
    select
        watch_no, session, asked as quantity, place, decision,
        -- an override keeps the value that drew the alert, unless it logs one
        case when decision = 'overridden' and entered_value is null then alerted.value else entered_value end as value,
        case
            when decision = 'overridden' and entered_value is null and alerted.has_row then alerted.unit
            else limit_unit
        end as unit
    from answered
    where
        decides
        and (
            (is_explicit and quantity = asked)
            or (is_explicit and asked = '' and waits)
            or coalesce(quantity_by_id = asked, false)
            or (is_for_all and (waits or (not any_waits and asked = last_alerted)))
        )
    qualify row_number() over (partition by watch_no, session, asked order by place desc) = 1
)

select watch_no, session, quantity, decision, value, unit
from told
