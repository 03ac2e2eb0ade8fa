-- title: Records in quarantine by month
-- grain: month (null: no month can be told, or another one than those asked for)
select
    month,
    cast(count(*) as bigint) as records
from quarantine_months
group by month
