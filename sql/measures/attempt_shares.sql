-- title: Shares and counts over attempts: overridden, left the library, repeated, far over the limit, too fast
-- grain: measure, month, care area, entry, pump type, high-alert flag, source, and how far over the limit
with judged as (
    select
        *,
        'override_share' as measure,
        outcome = 'overridden' as hit,
        outcome <> 'unknown' as known,
        not met_unknown as told,
        can_log as able
    from limit_attempts
    where met_soft or met_unknown
    union all
    select
        *,
        'left_library_share' as measure,
        outcome = 'left_library' as hit,
        outcome <> 'unknown' as known,
        true as told,
        can_log as able
    from limit_attempts
    union all
    select
        *,
        'infusion_override_share' as measure,
        infusion_overridden as hit,
        use_unknown_place is null as known,
        not infusion_met_unknown as told,
        can_log as able
    from limit_attempts
    where soft_place = 1 or use_unknown_place = 1 or infusion_met_unknown
    union all
    select
        *,
        'override_repeat_share' as measure,
        override_place > 1 as hit,
        use_unknown_place is null as known,
        not met_unknown as told,
        can_log as able
    from limit_attempts
    where
        override_place is not null
        or (outcome = 'overridden' and use_unknown_place is not null)
        or (outcome = 'overridden' and met_unknown and library_infusion_id is not null)
    union all
    select
        *,
        'far_overrides' as measure,
        coalesce(override_multiple >= 2, false) as hit,
        override_multiple is not null as known,
        true as told,
        can_log_overrides as able
    from limit_attempts
    where outcome = 'overridden'
    union all
    select
        *,
        'override_under_3s_share' as measure,
        coalesce(decision_us <= 3000000, false) as hit,
        decision_us is not null as known,
        true as told,
        can_log as able
    from limit_attempts
    where outcome = 'overridden'
)

select
    measure,
    month,
    care_area,
    entry,
    pump_type,
    high_alert,
    source,
    case when override_multiple >= 5 then 'yes' else 'no' end as at_5x,
    case when override_multiple >= 10 then 'yes' else 'no' end as at_10x,
    cast(sum(case when able and told and known and hit then 1 else 0 end) as bigint) as numerator,
    cast(sum(case when able and told and known then 1 else 0 end) as bigint) as denominator,
    cast(sum(case when able and told and not known then 1 else 0 end) as bigint) as left_out_unknown,
    cast(sum(case when able then 0 else 1 end) as bigint) as left_out_unable,
    cast(sum(case when able and not told then 1 else 0 end) as bigint) as left_out_untold
from judged
group by measure, month, care_area, entry, pump_type, high_alert, source, at_5x, at_10x
