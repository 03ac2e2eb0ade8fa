-- title: What makes an infusion uncertain, and its user rate changes
-- grain: one infusion
-- why: a gap or an unmapped label inside it counts even where it lasts no time (ruling 21)
select
    t.facility, t.pump_id, t.channel, t.lane, t.ordinal,
    bool_or(t.sign = 'gap') as has_gap,
    bool_or(t.has_unmapped and t.state <> 'suspended') as has_unmapped,
    cast(count(case when t.is_user_rate_change then 1 end) as bigint) as user_rate_changes
from lane_turns as t
inner join infusion_frames as f
    on t.facility = f.facility and t.pump_id = f.pump_id and t.channel = f.channel and t.lane = f.lane
    and t.ordinal = f.ordinal
where t.place <= coalesce(f.end_place, t.place)
group by t.facility, t.pump_id, t.channel, t.lane, t.ordinal
