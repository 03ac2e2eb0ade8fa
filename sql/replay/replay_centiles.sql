-- title: Past programming in numbers: the centiles of what was confirmed
-- grain: care area, entry, quantity, unit, row of the proposed library
-- note: only values that are known to fall under that one row; one whose strength or weight leaves two rows open is in
-- neither
-- why: a centile only where n >= 5 / (1 - q), and 5 / q below the middle; the smallest value that so many reached.
-- Past use includes errors and is no proposal
with ranked as (
    select
        care_area, entry, limit_quantity, limit_unit, row_no, value,
        row_number() over in_row as place,
        count(*) over (partition by care_area, entry, limit_quantity, limit_unit, row_no) as n
    from replay_verdicts
    where
        origin = 'confirmed' and value is not null and rows_matched = 1
        and verdict not like 'not comparable%'
    window in_row as (
        partition by care_area, entry, limit_quantity, limit_unit, row_no
        order by value, value_key
    )
)

select
    care_area, entry, limit_quantity, limit_unit, row_no,
    max(n) as n,
    min(value) as lowest,
    min(case when n >= 100 and place * 100 >= n * 5 then value end) as p05,
    min(case when n >= 20 and place * 100 >= n * 25 then value end) as p25,
    min(case when n >= 10 and place * 100 >= n * 50 then value end) as p50,
    min(case when n >= 20 and place * 100 >= n * 75 then value end) as p75,
    min(case when n >= 50 and place * 100 >= n * 90 then value end) as p90,
    min(case when n >= 100 and place * 100 >= n * 95 then value end) as p95,
    min(case when n >= 500 and place * 100 >= n * 99 then value end) as p99,
    max(value) as highest
from ranked
group by care_area, entry, limit_quantity, limit_unit, row_no
order by care_area, entry, limit_quantity, limit_unit, row_no
