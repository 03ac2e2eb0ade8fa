-- title: Infusions
-- grain: one programmed delivery on one channel, start to end
-- why: the unit in which starts, hours and volumes are counted
with joined as (
    select
        i.*,
        lag(i.infusion_id) over (partition by i.lane_no order by i.ordinal) as infusion_before,
        f.ended_us, f.end_kind, f.end_ambiguous, f.stop_missing,
        coalesce(m.running_us, 0) as running_us,
        -- an infusion without any stretch delivered nothing that is known of
        case when m.ordinal is null then cast(0 as decimal(28, 9)) else m.volume_ml end as volume_ml,
        case
            when m.ordinal is null then cast(0 as decimal(28, 9)) else m.volume_keep_open_ml
        end as volume_keep_open_ml,
        m.amount, m.amount_unit, coalesce(m.has_unknown, false) as has_unknown,
        r.volume_reported_ml, r.last_reading_us,
        d.has_gap, d.has_doubt, d.user_rate_changes,
        a.use_context as area_context
    from infusion_starts as i
    inner join infusion_frames as f
        on i.ordinal = f.ordinal
    inner join infusion_doubts as d
        on i.ordinal = d.ordinal
    left join infusion_sums as m
        on i.ordinal = m.ordinal
    left join infusion_readings as r
        on i.ordinal = r.ordinal
    left join area_contexts as a on i.care_area = a.care_area
)

select
    j.infusion_id,
    case when j.is_linked then j.infusion_before end as continues_infusion_id,
    j.facility,
    j.pump_id,
    j.pump_type,
    j.channel,
    make_timestamptz(j.at_us) as started_at,
    make_timestamptz(j.ended_us) as ended_at,
    j.start_kind,
    j.end_kind,
    j.care_area,
    j.entry,
    j.library_use,
    j.library_version,
    j.running_us / 3.6e9 as running_hours,
    j.volume_ml,
    j.volume_keep_open_ml,
    j.volume_reported_ml,
    j.amount,
    case when j.amount is not null then j.amount_unit end as amount_unit,
    j.user_rate_changes,
    j.has_unknown or j.has_gap or j.has_doubt or j.stop_missing or j.end_kind = 'stop_missing'
    or j.start_kind = 'missing' or j.ambiguous or j.end_ambiguous as uncertain,
    j.end_kind <> 'open' and j.start_kind not in ('missing', 'patient_change')
    and (
        -- an unknown stretch may have run
        (not j.has_unknown and (j.running_us < round(s.false_start_s * 1e6) or coalesce(j.volume_ml = 0, false)))
        or coalesce(j.volume_reported_ml = 0 and j.last_reading_us = j.ended_us, false)
    ) as false_start,
    coalesce(j.use_context, j.area_context, 'unknown') as use_context,
    j.concentration_value,
    j.concentration_unit,
    j.fluid_source,
    j.patient_key,
    j.source_name,
    strftime(make_timestamp(j.at_us), '%Y-%m') as month
from joined as j
cross join settings as s
