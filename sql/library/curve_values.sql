-- title: Recorded values of one limited quantity of one entry, each with the row of the proposal that judges it
-- grain: one recorded value, confirmed or warned about; of a programming, of an attempt that ended with none
-- note: a value that falls under no row that is known, or cannot be put into its unit, is on no curve, and says why
with programmed as (
    select attempt_id, min(programming_id) as programming_id
    from library_programmings
    where can_log and attempt_id is not null
    group by attempt_id
),

placed as (
    select c.*
    from replay_compared as c
    inner join curve_place as l
        on
            c.care_area = l.care_area and c.entry = l.entry
            and (c.limit_quantity = l.limit_quantity or (c.origin = 'alert' and c.limit_quantity = ''))
    where c.origin in ('alert', 'confirmed')
)

select
    c.value_key, c.origin, c.attempt_id, c.outcome, c.logged_kind, c.logged_side, c.logged_limit, c.entered_value,
    c.value_6, c.limit_unit, c.stands_for_an_alert,
    coalesce(c.programming_id, p.programming_id, c.attempt_id) as programming_id,
    case when c.rows_matched = 1 and c.change <> 'not_comparable' then c.row_no end as row_no,
    case
        when c.rows_matched > 1
            then 'may fall under several rows: concentration or weight is not known, or rows overlap'
        when c.change = 'not_comparable' then replace(c.verdict, 'not comparable: ', '')
    end as left_out
from placed as c
left join programmed as p
    on c.attempt_id = p.attempt_id
