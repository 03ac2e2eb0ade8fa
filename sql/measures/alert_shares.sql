-- title: Programmings with a soft or hard limit alert, infusion by infusion: the interval is clustered
-- grain: measure, cluster, month, care area, entry, pump type, high-alert flag, source, phase
-- note: starts of unknown library use stand beside them, with an alert or without, and changes that tell no value
with apart as (
    select
        s.infusion_id as cluster,
        s.month,
        s.care_area,
        s.entry,
        s.pump_type,
        s.high_alert,
        s.source,
        'start' as phase,
        cast(1 as bigint) as amount
    from starts as s
    inner join able_sources as c
        on s.source = c.source_name and c.measure = 'soft_alert_share'
    where
        s.counts_as = 'start' and s.library_use = 'unknown'
        -- one confirmed seconds before midnight stands in the month before; what warns in a pause later is no start's
        and not exists (
            select 1
            from programmings as p
            where
                p.infusion_id = s.infusion_id
                and p.phase = 'start'
                and p.at <= s.started_at
                and coalesce(p.use_context, 'unknown') not in ('maintenance', 'training')
        )
    union all
    select
        r.infusion_id as cluster,
        r.month,
        r.care_area,
        r.entry,
        r.pump_type,
        r.high_alert,
        r.source,
        'change' as phase,
        r.changes as amount
    from rate_change_tellings as r
    inner join able_sources as c
        on r.source = c.source_name and c.measure = 'soft_alert_share'
    where r.is_blank
),

programmed as (
    select
        cluster,
        month,
        care_area,
        entry,
        pump_type,
        high_alert,
        source,
        phase,
        cast(1 as bigint) as amount,
        met_soft,
        met_hard,
        can_log,
        use_told,
        soft_told,
        hard_told
    from limit_programmings
    union all
    select
        *,
        false as met_soft,
        false as met_hard,
        true as can_log,
        false as use_told,
        true as soft_told,
        true as hard_told
    from apart
),

met as (
    select
        *,
        'soft_alert_share' as measure,
        met_soft as has_met,
        soft_told as kind_told
    from programmed
    union all
    select
        *,
        'hard_alert_share' as measure,
        met_hard as has_met,
        hard_told as kind_told
    from programmed
)

select
    measure,
    cluster,
    month,
    care_area,
    entry,
    pump_type,
    high_alert,
    source,
    phase,
    cast(sum(case when can_log and use_told and kind_told and has_met then 1 else 0 end) as bigint) as numerator,
    cast(sum(case when can_log and use_told and kind_told then 1 else 0 end) as bigint) as denominator,
    cast(sum(case when can_log and not use_told then amount else 0 end) as bigint) as left_out_unknown,
    cast(sum(case when can_log then 0 else 1 end) as bigint) as left_out_unable,
    cast(sum(case when can_log and use_told and not kind_told then 1 else 0 end) as bigint) as left_out_untold
from met
group by measure, cluster, month, care_area, entry, pump_type, high_alert, source, phase
