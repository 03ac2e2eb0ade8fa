-- title: Records in quarantine and the month that each stands in
-- grain: one record in quarantine
-- note: the clock reading of such a record is taken as local; without a usable one, the month is that of the
-- nearest record before it in its file, else after it; null where the file gave no readable time at all
with waiting as (
    select
        source_file_sha256,
        source_record,
        source_name,
        pump_id,
        sequence,
        reasons,
        -- a year that cannot be computed with tells no month either
        case
            when device_time >= timestamp '1900-01-01' and device_time < timestamp '2300-01-01' then device_time
        end as device_time
    from quarantined
),

neighbours as (
    select
        e.source_file_sha256,
        e.source_record,
        max(e.occurred_at) as occurred_at
    from events as e
    where
        e.source_file_sha256 in (
            select source_file_sha256 from waiting
            where device_time is null
        )
    group by e.source_file_sha256, e.source_record
),

placed as (
    select
        source_file_sha256,
        source_record,
        occurred_at,
        false as waits
    from neighbours
    union all
    select
        source_file_sha256,
        source_record,
        cast(null as timestamptz) as occurred_at,
        true as waits
    from waiting
    where device_time is null
),

borrowed as (
    select
        source_file_sha256,
        source_record,
        waits,
        coalesce(
            last_value(occurred_at ignore nulls) over before_it,
            first_value(occurred_at ignore nulls) over after_it
        ) as occurred_at
    from placed
    window
        before_it as (
            partition by source_file_sha256
            order by source_record, waits
            rows between unbounded preceding and current row
        ),
        after_it as (
            partition by source_file_sha256
            order by source_record, waits
            rows between current row and unbounded following
        )
),

placed_again as (
    select
        q.source_file_sha256,
        q.source_record,
        q.source_name as source,
        q.pump_id,
        q.sequence,
        q.device_time,
        q.reasons,
        case when q.device_time is null then b.occurred_at else timezone(t.zone, q.device_time) end as occurred_at
    from waiting as q
    cross join measure_settings as t
    left join borrowed as b
        on q.source_file_sha256 = b.source_file_sha256 and q.source_record = b.source_record and b.waits
)

select
    p.*,
    m.month
from placed_again as p
left join site_months as m
    on p.occurred_at >= m.begins_at and p.occurred_at < m.ends_at
