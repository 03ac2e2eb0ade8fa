-- title: From when what is built of a pump is replaced, and from when it is compared before
-- grain: one pump with two such moments
-- why: what lies between the two is built again and has to come out as it stands, else the whole log is read
select
    facility, pump_id,
    max(case when from_last = 1 then on_at end) as replace_from,
    max(case when from_last = 2 then on_at end) as check_from
from resume_cuts
group by facility, pump_id
having max(from_last) >= 2
