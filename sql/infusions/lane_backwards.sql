-- title: Where lanes start, stop and are kept open, read from the end
-- grain: one such row of the lane's log
-- order: place desc
-- why: what comes next is what was seen last when a log is read backwards, which is many times quicker
select lane_no, lane, place, at_us, sign, mine
from lane_log
where
    (mine and sign in ('start', 'delayed', 'dose', 'kvo'))
    or sign in ('stop', 'complete', 'off', 'on', 'other_lane')
order by place desc
