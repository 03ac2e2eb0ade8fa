-- title: Shares of events with an unmapped label, and with a corrected clock
-- grain: measure, month, source
select
    'unmapped_share' as measure,
    month,
    source,
    cast(sum(unmapped) as bigint) as numerator,
    cast(sum(events) as bigint) as denominator
from pump_months
group by month, source
union all
select
    'clock_corrected_share' as measure,
    month,
    source,
    cast(sum(clock_corrected) as bigint) as numerator,
    cast(sum(events) as bigint) as denominator
from pump_months
group by month, source
