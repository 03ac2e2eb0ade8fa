-- title: What makes an infusion uncertain, and its user rate changes
-- grain: one infusion
-- why: a gap or an unmapped label inside it counts even where it lasts no time (ruling 21)
select
    t.lane_no, t.ordinal,
    bool_or(t.sign = 'gap') as has_gap,
    bool_or(l.has_doubt) as has_doubt,
    cast(count(case when t.is_rate_change and coalesce(l.initiator, 'user') = 'user' then 1 end) as bigint)
        as user_rate_changes
from lane_turns as t
inner join lane_log as l on t.place = l.place
inner join infusion_frames as f on t.ordinal = f.ordinal
where t.place <= coalesce(f.end_place, t.place) and coalesce(t.end_sign, '') <> 'late'
group by t.lane_no, t.ordinal
