-- title: Long stops of high-alert entries, and rate changes fivefold or more, each with its file and record
-- grain: one stop or change of the list that `what` names
-- note: no clock time: area, day and minute would name the nurse on duty. A case is named by the event of its channel
-- or pump that tells it, as is its record, else by what began the infusion; a review may name any event that tells it
with listed as (
    select
        'long_stop' as what,
        s.infusion_id,
        s.month,
        s.care_area,
        s.entry,
        s.high_alert,
        s.source,
        s.pump_id,
        s.channel,
        s.started_at as happens_at,
        cast(null as double) as rate_before_ml_h,
        cast(null as double) as rate_ml_h,
        cast(null as double) as factor,
        cast(s.whole_us / 60000000.0 as double) as minutes
    from stopped_stretches as s
    inner join site_months as m
        on s.month = m.month and s.started_at >= m.begins_at
    cross join measure_settings as t
    where s.high_alert = 'yes' and s.whole_us > t.long_stop_us
    union all
    select
        'rate_change' as what,
        infusion_id,
        month,
        care_area,
        entry,
        high_alert,
        source,
        pump_id,
        channel,
        changed_at as happens_at,
        rate_before_ml_h,
        rate_ml_h,
        factor,
        cast(null as double) as minutes
    from rate_changes
    where cast(printf('%.5e', factor) as double) >= 5
),

near as (
    select
        n.what,
        n.infusion_id,
        n.happens_at,
        -- what happened on the pump is a case of each channel that it stood still
        e.event_id || case when e.channel = n.channel then '' else ':' || n.channel end as case_id,
        e.source_file_sha256,
        e.source_record,
        e.channel = n.channel as of_channel
    from listed as n
    inner join counting_events as e
        on
            n.pump_id = e.pump_id
            and n.happens_at = e.occurred_at
            and (n.channel = e.channel or e.channel = '')
    where
        case
            when n.what = 'long_stop' then e.kind in ('alarm_raised', 'alarm_updated', 'fault_logged', 'door_opened')
            else e.kind in ('rate_changed', 'programme_changed', 'infusion_started', 'infusion_resumed')
        end
),

told as (
    select
        what,
        infusion_id,
        happens_at,
        min_by(
            {'id': case_id, 'sha256': source_file_sha256, 'record': source_record},
            {'far': not of_channel, 'id': case_id}
        ) as found,
        list(case_id order by case_id) as ids
    from near
    group by what, infusion_id, happens_at
)

select
    n.what,
    n.month,
    cast(timezone(t.zone, n.happens_at) as date) as happened_on,
    h.shift,
    n.care_area,
    n.entry,
    n.high_alert,
    n.pump_id,
    n.channel,
    n.minutes,
    n.rate_before_ml_h,
    n.rate_ml_h,
    n.factor,
    n.source,
    p.path as source_file,
    coalesce(r.found.sha256, e.source_file_sha256) as source_file_sha256,
    coalesce(r.found.record, e.source_record) as source_record,
    coalesce(r.found.id, n.infusion_id) as case_id,
    n.infusion_id,
    r.ids as known_as
from listed as n
cross join measure_settings as t
inner join day_shifts as h
    on extract(hour from timezone(t.zone, n.happens_at)) = h.hour_of_day
left join told as r
    on n.what = r.what and n.infusion_id = r.infusion_id and n.happens_at = r.happens_at
left join events as e
    on split_part(n.infusion_id, ':', 1) = e.event_id
left join source_paths as p
    on coalesce(r.found.sha256, e.source_file_sha256) = p.source_file_sha256
order by n.what, n.month, n.happens_at, n.care_area, n.entry, n.infusion_id
