-- title: Limit alerts before and after a release, for the entries that it changed
-- grain: release, care area, entry
-- why: before and after are what the pump ran at that moment, not the date; other things change too, no cause is told
with used as (
    select
        care_area, entry, library_version,
        cast(sum(uses) as bigint) as uses,
        cast(sum(limit_alerts) as bigint) as limit_alerts
    from uptake_clusters
    group by care_area, entry, library_version
),

warned as (
    select
        attempt_id,
        arg_min(library_version, {'at': epoch_us(occurred_at), 'id': event_id}) as library_version
    from placed_alerts
    group by attempt_id
),

tried as (
    select
        a.care_area, a.entry,
        coalesce(w.library_version, v.library_version) as library_version,
        count(case when a.met_soft and a.is_override then 1 end) as overridden,
        count(case when a.met_soft and a.is_known then 1 end) as outcome_known
    from library_attempts as a
    left join warned as w
        on a.attempt_id = w.attempt_id
    left join library_versions as v
        on
            a.facility = v.facility and a.pump_id = v.pump_id
            and a.first_alert_at >= v.first_seen_at and (v.until_at is null or a.first_alert_at < v.until_at)
    where a.in_span and a.can_log and coalesce(w.library_version, v.library_version) is not null
    group by all
)

select
    c.old_version,
    c.new_version,
    c.care_area,
    c.entry,
    c.changes,
    coalesce(o.uses, 0) as uses_before,
    coalesce(o.limit_alerts, 0) as alerts_before,
    coalesce(p.overridden, 0) as overridden_before,
    coalesce(p.outcome_known, 0) as outcome_known_before,
    coalesce(n.uses, 0) as uses_after,
    coalesce(n.limit_alerts, 0) as alerts_after,
    coalesce(q.overridden, 0) as overridden_after,
    coalesce(q.outcome_known, 0) as outcome_known_after
from changed_entries as c
left join used as o
    on c.care_area = o.care_area and c.entry = o.entry and c.old_version = o.library_version
left join used as n
    on c.care_area = n.care_area and c.entry = n.entry and c.new_version = n.library_version
left join tried as p
    on c.care_area = p.care_area and c.entry = p.entry and c.old_version = p.library_version
left join tried as q
    on c.care_area = q.care_area and c.entry = q.entry and c.new_version = q.library_version
order by c.release_no, c.care_area, c.entry
