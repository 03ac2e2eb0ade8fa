-- title: How each entry is used and how often it warns
-- grain: care area, entry
-- note: a use is a programming under the entry from a source that can log limit alerts
with uses as (
    select
        care_area, entry,
        count(case when can_log then 1 end) as uses,
        count(case when not can_log then 1 end) as left_out_unable,
        count(distinct case when can_log then infusion_id end) as infusions,
        sum(case when can_log and alerts > 0 then 1 else 0 end) as uses_with_alert
    from library_programmings
    where entry <> ''
    group by care_area, entry
),

warned as (
    select
        care_area, entry,
        count(*) as attempts,
        sum(alerts) as limit_alerts,
        count(case when limit_side = 'high' then 1 end) as attempts_high,
        count(case when limit_side = 'low' then 1 end) as attempts_low,
        count(case when met_soft then 1 end) as attempts_soft,
        count(case when met_hard then 1 end) as attempts_hard,
        count(case when met_soft and is_override then 1 end) as overridden,
        count(case when met_soft and is_known then 1 end) as outcome_known,
        count(case when outcome = 'within_limits' then 1 end) as brought_within,
        count(case when outcome = 'left_library' then 1 end) as left_library,
        count(case when override_place > 1 then 1 end) as repeat_overrides,
        count(case when is_override and times_limit is not null then 1 end) as overrides_with_times,
        count(case when is_override and times_limit >= 2 then 1 end) as overrides_2x,
        count(case when is_override and times_limit >= 5 then 1 end) as overrides_5x,
        count(case when is_override and times_limit >= 10 then 1 end) as overrides_10x,
        count(case when is_override and decision_us is not null then 1 end) as overrides_timed,
        count(case when is_override and decision_us < 3000000 then 1 end) as overrides_under_3s
    from library_attempts
    where in_span and can_log
    group by care_area, entry
),

-- times the limit of overrides, by rank: a centile only where n >= 5 / (1 - q)
ranked as (
    select
        care_area, entry, times_limit,
        row_number() over (partition by care_area, entry order by times_limit, attempt_id) as place,
        count(*) over (partition by care_area, entry) as n
    from library_attempts
    where in_span and can_log and is_override and times_limit is not null
),

times as (
    select
        care_area, entry,
        min(case when n >= 10 and place * 100 >= n * 50 then times_limit end) as times_p50,
        min(case when n >= 50 and place * 100 >= n * 90 then times_limit end) as times_p90,
        max(times_limit) as times_highest
    from ranked
    group by care_area, entry
)

select
    coalesce(u.care_area, w.care_area) as care_area,
    coalesce(u.entry, w.entry) as entry,
    case when f.entry is null then 'unknown' when f.high_alert then 'yes' else 'no' end as high_alert,
    cast(coalesce(u.uses, 0) as bigint) as uses,
    cast(coalesce(u.infusions, 0) as bigint) as infusions,
    cast(coalesce(u.uses_with_alert, 0) as bigint) as uses_with_alert,
    cast(coalesce(w.limit_alerts, 0) as bigint) as limit_alerts,
    coalesce(w.attempts, 0) as attempts,
    coalesce(w.attempts_high, 0) as attempts_high,
    coalesce(w.attempts_low, 0) as attempts_low,
    coalesce(w.attempts_soft, 0) as attempts_soft,
    coalesce(w.attempts_hard, 0) as attempts_hard,
    coalesce(w.overridden, 0) as overridden,
    coalesce(w.outcome_known, 0) as outcome_known,
    coalesce(w.brought_within, 0) as brought_within,
    coalesce(w.left_library, 0) as left_library,
    coalesce(w.repeat_overrides, 0) as repeat_overrides,
    coalesce(w.overrides_with_times, 0) as overrides_with_times,
    t.times_p50,
    t.times_p90,
    t.times_highest,
    coalesce(w.overrides_2x, 0) as overrides_2x,
    coalesce(w.overrides_5x, 0) as overrides_5x,
    coalesce(w.overrides_10x, 0) as overrides_10x,
    coalesce(w.overrides_timed, 0) as overrides_timed,
    coalesce(w.overrides_under_3s, 0) as overrides_under_3s,
    coalesce(u.left_out_unable, 0) as left_out_unable
from uses as u
full outer join warned as w
    on u.care_area = w.care_area and u.entry = w.entry
left join times as t
    on coalesce(u.care_area, w.care_area) = t.care_area and coalesce(u.entry, w.entry) = t.entry
left join entry_flags as f
    on coalesce(u.entry, w.entry) = f.entry
order by coalesce(u.care_area, w.care_area), coalesce(u.entry, w.entry)
