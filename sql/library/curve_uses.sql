-- title: How many programmings each row of the proposal can judge
-- grain: row of the proposal
select row_no, count(distinct programming_id) as uses
from curve_values
where row_no is not null
group by row_no
