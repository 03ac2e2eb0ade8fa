-- title: Releases of the drug library for each model of pump, and since when each was available
-- grain: model, library version that a pump of the model ever had
-- note: available from the day that the library files state, else from the first sight of it on a pump of the model
with published as (
    select
        library_version,
        min(library_published_at) as published_at
    from libraries
    group by library_version
)

select
    coalesce(d.pump_model, '') as pump_model,
    s.library_version,
    coalesce(min(p.published_at), min(s.first_at)) as available_at
from library_sights as s
left join pump_models as d
    on s.pump_id = d.pump_id
left join published as p
    on s.library_version = p.library_version
group by coalesce(d.pump_model, ''), s.library_version
