-- title: Which library version each pump ran, from when to when
-- grain: one unbroken stretch of one version on one pump
-- why: every row that names a version tells it; `received` alone is not yet in force. What a version is seen last does
-- not end it: it runs until another one is seen
with told as (
    select facility, pump_id, occurred_at as happened_at, library_version, event_id as row_id
    from counting_events
    where library_version is not null and kind <> 'library_received'
    union all
    select facility, pump_id, started_at as happened_at, library_version, infusion_id as row_id
    from infusions
    where library_version is not null
),

stepped as (
    select
        *,
        coalesce(lag(library_version) over in_pump <> library_version, true) as is_new
    from told
    window in_pump as (partition by facility, pump_id order by happened_at, row_id)
),

numbered as (
    select
        *,
        sum(case when is_new then 1 else 0 end) over (
            partition by facility, pump_id order by happened_at, row_id
            rows between unbounded preceding and current row
        ) as stretch
    from stepped
),

stretches as (
    select
        facility, pump_id, stretch, library_version,
        min(happened_at) as first_seen_at,
        max(happened_at) as last_seen_at
    from numbered
    group by facility, pump_id, stretch, library_version
)

select
    facility, pump_id, stretch, library_version, first_seen_at, last_seen_at,
    lead(first_seen_at) over (partition by facility, pump_id order by stretch) as until_at
from stretches
