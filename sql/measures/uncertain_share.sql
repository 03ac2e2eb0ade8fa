-- title: Infusions that could not be rebuilt without a doubt
-- grain: month, source
select
    month,
    own_source as source,
    cast(sum(case when uncertain then 1 else 0 end) as bigint) as numerator,
    cast(count(*) as bigint) as denominator
from starts
where counts_as not in ('maintenance', 'training')
group by month, own_source
