-- title: The log of each lane with what has to be known beforehand of each row
-- grain: one row of the lane's log
-- order: place
-- why: whether an end is one shows only in what follows it
select
    l.lane_no, l.lane, l.place, l.at_us, l.unsure_links, l.kind, l.sign, l.own, l.mine, l.proves, l.patient_turned,
    l.rate_ml_h, l.dose_value,
    -- below all places of the lane: what was last seen there, or before, was seen on another lane
    l.lane_no * 68719476736 as floor_place,
    coalesce(w.keeps_open, false) as keeps_open,
    coalesce(not w.keeps_open, false) as lets_other_run,
    cast(round(s.continue_after_pause_s * 1e6) as bigint) as window_us
from lane_log as l
cross join settings as s
left join lane_waits as w on l.place = w.place
order by l.place
