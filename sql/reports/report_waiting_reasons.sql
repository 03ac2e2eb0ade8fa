-- title: Why records wait in quarantine
-- grain: month (null: no month can be told), reason; a record with several reasons counts under each
with reasons_given as (
    select
        month,
        unnest(reasons) as reason
    from quarantine_months
)

select
    month,
    reason,
    cast(count(*) as bigint) as records
from reasons_given
group by month, reason
