-- title: Starts of the month, and what each counts as in the measures that rest on starts
-- grain: one start
select
    s.care_area,
    m.happened_on,
    m.shift,
    s.entry,
    s.high_alert,
    s.library_use,
    s.library_version,
    case when p.protected = 1 then 'yes' when p.protected = 0 then 'no' else 'not known' end as hard_high_limit,
    s.uncertain,
    case
        when not s.can_log or s.library_use = 'unknown' then 'left out'
        when s.library_use in ('limited', 'no_limit_entry') then 'counted'
        else 'not counted'
    end as library_use_starts,
    case
        when s.library_use = 'unknown' then ''
        when not s.can_log or p.protected is null then 'left out'
        when p.protected = 1 then 'counted'
        else 'not counted'
    end as protected_share,
    case
        when not s.can_log or not coalesce(r.is_known, false) then 'left out'
        when r.is_stale then 'counted'
        else 'not counted'
    end as stale_library_share,
    case
        when s.library_use not in ('limited', 'no_limit_entry', 'unknown') then ''
        when c.source_name is null or s.library_use = 'unknown' or u.source is not null or n.source is not null
            then 'left out'
        else 'not counted'
    end as soft_alerts_per_100_infusions,
    case
        when s.library_use not in ('limited', 'no_limit_entry', 'unknown') then ''
        when c.source_name is null or s.library_use = 'unknown' or u.source is not null or h.source is not null
            then 'left out'
        else 'not counted'
    end as hard_alerts_per_100_infusions,
    s.pump_id,
    s.source,
    m.source_file,
    m.source_file_sha256,
    m.source_record,
    s.infusion_id as id,
    m.local_time
from starts as s
inner join report_month as w
    on s.month = w.month
inner join list_moments as m
    on m.list = 'starts' and s.infusion_id = m.id
left join infusion_protection as p
    on s.infusion_id = p.infusion_id
left join start_releases as r
    on s.infusion_id = r.infusion_id
left join able_sources as c
    on s.source = c.source_name and c.measure = 'soft_alerts_per_100_infusions'
left join untold_programmings as u
    on s.source = u.source and s.month = u.month
left join untold_limit_kinds as n
    on s.source = n.source and s.month = n.month and n.limit_kind = 'soft'
left join untold_limit_kinds as h
    on s.source = h.source and s.month = h.month and h.limit_kind = 'hard'
where s.counts_as = 'start'
order by s.care_area, m.happened_on, m.shift, s.infusion_id
