-- title: The event that starts each infusion
-- grain: one infusion
-- why: an infusion is named by the event that starts it; what the whole pump did gets the channel added (ruling 37),
-- and where one event starts one on either line, as with another patient, that of the other line says so
select
    t.lane_no, t.ordinal, t.place, t.at_us, t.start_kind, t.is_linked, l.ambiguous, l.source_name, l.use_context,
    c.facility, c.pump_id, c.channel,
    case when t.own or c.channel = '' then l.event_id else l.event_id || ':' || c.channel end
    || case when not t.mine and count(*) over (partition by l.event_id, c.channel_no) > 1 then ':other_line' else '' end
        as infusion_id,
    t.use_here as library_use,
    r.entry_here as entry,
    r.concentration_here as concentration_value,
    r.concentration_unit_here as concentration_unit,
    r.fluid as fluid_source,
    l.care_area_here as care_area,
    l.library_version_here as library_version,
    l.patient_here as patient_key,
    l.pump_type_here as pump_type
from lane_turns as t
inner join lane_log as l on t.place = l.place
inner join lane_rates as r on t.place = r.place
inner join pump_channels as c on t.lane_no // 2 = c.channel_no
where t.is_new
