-- title: Infusions and whether a hard high limit on dose or rate was in force at their start
-- grain: one infusion with known library use that touches the months
-- note: protected is null where no library file tells; such starts are left out of both sides. A start outside
-- the library is left out as well where its library version has no file or was never logged: leaving out only
-- those inside would push the share down
with touching as (
    select
        i.infusion_id,
        i.library_use,
        i.library_version,
        i.care_area,
        i.entry,
        i.concentration_value,
        i.concentration_unit
    from infusions as i
    cross join month_span as s
    where
        i.started_at < s.ends_at
        and coalesce(i.ended_at, s.ends_at) >= s.begins_at
        and coalesce(i.library_use, 'unknown') <> 'unknown'
),

versions as (
    select distinct library_version from libraries
),

programmes as (
    select distinct
        library_version,
        care_area,
        entry,
        concentration_value,
        concentration_unit
    from touching
    where library_use = 'limited'
),

looked_up as (
    select
        p.library_version,
        p.care_area,
        p.entry,
        p.concentration_value,
        p.concentration_unit,
        min(l.guarded) as guarded
    from programmes as p
    inner join library_high_limits as l
        on
            p.library_version = l.library_version
            and p.entry = l.entry
            and (l.care_area is null or p.care_area = l.care_area)
            and (
                l.concentration_value is null
                or p.concentration_value is null
                or (
                    coalesce(l.concentration_unit, '') = coalesce(p.concentration_unit, '')
                    and abs(l.concentration_value - p.concentration_value) <= 0.000001 * abs(l.concentration_value)
                )
            )
    group by p.library_version, p.care_area, p.entry, p.concentration_value, p.concentration_unit
)

select
    s.infusion_id,
    case
        when s.library_use = 'limited' then l.guarded
        when v.library_version is not null then 0
    end as protected
from touching as s
left join versions as v
    on s.library_version = v.library_version
left join looked_up as l
    on
        s.library_version is not distinct from l.library_version
        and s.care_area is not distinct from l.care_area
        and s.entry is not distinct from l.entry
        and s.concentration_value is not distinct from l.concentration_value
        and s.concentration_unit is not distinct from l.concentration_unit
