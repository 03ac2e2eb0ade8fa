-- title: Gaps and steps back of the clock, with the values in force on the channel
-- grain: one channel and one gap or step back
-- why: they cut a stretch where the channel itself logged nothing, so the values of its last event hold
select
    g.*,
    coalesce(v.fluid, 'primary') as fluid,
    v.care_area_here, v.weight_here, v.bsa_here, v.library_version_here, v.patient_here, v.pump_type_here
from channel_gaps as g
asof left join channel_values as v on g.channel_no = v.channel_no and g.place > v.place
