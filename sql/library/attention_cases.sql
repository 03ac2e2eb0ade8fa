-- title: Cases that a person should look at, each with its file and record, and what was found
-- grain: one attempt of the list that `what` names; no clock time
-- why: an earlier case comes again until a person has closed it; the disposition is what stands before the end of the
-- time that is looked at, so that an old list comes out the same
with listed as (
    select *, 'far_override' as what from library_attempts
    where is_override and times_limit >= 2
    union all
    select *, 'left_library' as what from library_attempts
    where outcome = 'left_library'
    union all
    select *, 'brought_within_from_tenfold' as what from library_attempts
    where
        outcome = 'within_limits'
        and (
            times_limit >= 10
            or cast(printf('%.5e', change_factor) as double) >= 10
            -- at a low limit a tenth was entered
            or cast(printf('%.5e', change_factor) as double) <= 0.1
        )
),

looked_up as (
    select
        l.*,
        coalesce(r.disposition, b.disposition) as found,
        coalesce(r.reviewed_on, b.reviewed_on) as reviewed_on
    from listed as l
    left join case_reviews as r
        on l.attempt_id = r.case_id
    -- an alert of the whole pump, named without the channel behind it, stands for each
    left join case_reviews as b
        on split_part(l.attempt_id, ':', 1) = b.case_id
),

reviewed as (
    select
        l.*,
        s.begins_at, s.ends_at, s.zone,
        coalesce(
            l.found <> 'undecided' and l.reviewed_on < cast(timezone(s.zone, s.ends_at) as date), false
        ) as is_closed
    from looked_up as l
    cross join library_span as s
),

paths as (
    select source_file_sha256, min(path) as path
    from ingests
    group by source_file_sha256
)

select
    c.what,
    c.attempt_id as case_id,
    c.happened_on,
    c.shift,
    c.care_area,
    c.entry,
    case when f.entry is null then 'unknown' when f.high_alert then 'yes' else 'no' end as high_alert,
    c.phase,
    c.limit_quantity,
    c.limit_side,
    c.entered_first,
    c.entered_final,
    c.limit_value,
    c.limit_unit,
    c.times_limit,
    case
        when c.outcome = 'within_limits' then 'entered, warned, then confirmed within limits'
        when c.outcome = 'left_library' then 'warned, then run outside the library'
        when c.reversed then 'overridden, then brought inside'
        else 'overridden'
    end as course,
    case when c.is_closed then 'closed' else 'open' end as status,
    case when c.reviewed_on < cast(timezone(c.zone, c.ends_at) as date) then c.found end as disposition,
    case when c.reviewed_on < cast(timezone(c.zone, c.ends_at) as date) then c.reviewed_on end as reviewed_on,
    not c.in_span as carried_over,
    c.pump_id,
    c.channel,
    p.path as source_file,
    c.source_record
from reviewed as c
left join paths as p
    on c.source_file_sha256 = p.source_file_sha256
left join entry_flags as f
    on c.entry = f.entry
where
    c.in_span
    -- earlier, and not closed before this time began
    or not c.is_closed or c.reviewed_on >= cast(timezone(c.zone, c.begins_at) as date)
order by c.what, c.happened_on, c.shift, c.care_area, c.entry, c.attempt_id
