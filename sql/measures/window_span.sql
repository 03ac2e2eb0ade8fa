-- title: From the beginning of the first month for which other windows of continuation are asked to the end of the last
-- grain: one row
-- why: what asks only about these months need not read all history
select
    min(begins_at) as begins_at,
    max(ends_at) as ends_at
from window_months
