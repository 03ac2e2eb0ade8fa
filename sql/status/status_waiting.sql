-- title: Why records wait in quarantine
-- grain: one reason; a record with several reasons counts under each
with reasons_given as (
    select unnest(reasons) as reason
    from quarantined
)

select
    reason,
    count(*) as records
from reasons_given
group by reason
order by reason
