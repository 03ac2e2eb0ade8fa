-- title: Limit alerts now and under the proposed library, by care area and entry
-- grain: care area, entry
with uses as (
    select
        care_area, entry,
        count(case when can_log then 1 end) as uses,
        count(case when not can_log then 1 end) as left_out_unable
    from library_programmings
    where entry <> ''
    group by care_area, entry
),

counted as (
    select
        coalesce(care_area, 'none selected') as care_area,
        coalesce(entry, '') as entry,
        count(case when origin = 'alert' then 1 end) as alerts_logged,
        count(case when change in ('stays', 'hardens', 'softens') then 1 end) as alerts_stay,
        count(case when change = 'falls_away' then 1 end) as alerts_fall_away,
        count(distinct case when change = 'falls_away' and outcome = 'within_limits' then attempt_id end)
            as fall_away_then_within,
        count(case when change = 'new' and origin = 'confirmed' then 1 end) as alerts_new,
        count(case when change = 'hardens' then 1 end) as soft_to_hard,
        count(case when change = 'softens' then 1 end) as hard_to_soft,
        count(distinct case when would_be_blocked and origin = 'confirmed' then infusion_id end) as infusions_blocked,
        count(case when change = 'not_comparable' and origin = 'alert' then 1 end) as alerts_not_comparable,
        count(case when change = 'not_comparable' and origin = 'confirmed' then 1 end) as values_not_comparable,
        count(case when change = 'new' and origin = 'bypassed' then 1 end) as bypassed_outside
    from replay_compared
    group by coalesce(care_area, 'none selected'), coalesce(entry, '')
)

select
    coalesce(c.care_area, u.care_area) as care_area,
    coalesce(c.entry, u.entry) as entry,
    coalesce(u.uses, 0) as uses,
    coalesce(c.alerts_logged, 0) as alerts_logged,
    coalesce(c.alerts_stay, 0) as alerts_stay,
    coalesce(c.alerts_fall_away, 0) as alerts_fall_away,
    coalesce(c.fall_away_then_within, 0) as fall_away_then_within,
    coalesce(c.alerts_new, 0) as alerts_new,
    coalesce(c.soft_to_hard, 0) as soft_to_hard,
    coalesce(c.hard_to_soft, 0) as hard_to_soft,
    coalesce(c.infusions_blocked, 0) as infusions_blocked,
    coalesce(c.alerts_not_comparable, 0) as alerts_not_comparable,
    coalesce(c.values_not_comparable, 0) as values_not_comparable,
    coalesce(c.bypassed_outside, 0) as bypassed_outside,
    coalesce(u.left_out_unable, 0) as left_out_unable
from uses as u
full outer join counted as c
    on u.care_area = c.care_area and u.entry = c.entry
order by coalesce(c.care_area, u.care_area), coalesce(c.entry, u.entry)
