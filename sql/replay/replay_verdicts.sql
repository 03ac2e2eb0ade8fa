-- title: What the proposed library would say to each recorded value
-- grain: one recorded value
-- why: equal to a limit is inside, compared to six digits in the limit's unit (ruling 48)
with compared as (
    select
        a.value_key, a.row_no, a.value, r.limit_unit, u.per_kg, u.per_m2,
        cast(printf('%.5e', a.value) as double) as value_6,
        cast(printf('%.5e', r.hard_low) as double) as hard_low,
        cast(printf('%.5e', r.soft_low) as double) as soft_low,
        cast(printf('%.5e', r.soft_high) as double) as soft_high,
        cast(printf('%.5e', r.hard_high) as double) as hard_high
    from replay_answers as a
    inner join proposed_rows as r
        on a.row_no = r.row_no
    left join units as u
        on r.limit_unit = u.code
),

judged as (
    select
        value_key, row_no, value, value_6, limit_unit, per_kg, per_m2,
        case
            when value_6 is null then null
            when value_6 > hard_high then 'hard high'
            when value_6 < hard_low then 'hard low'
            when value_6 > soft_high then 'soft high'
            when value_6 < soft_low then 'soft low'
            else 'inside'
        end as verdict,
        case
            when value_6 > hard_high then hard_high
            when value_6 < hard_low then hard_low
            when value_6 > soft_high then soft_high
            when value_6 < soft_low then soft_low
        end as crossed
    from compared
),

gathered as (
    select
        value_key,
        count(*) as rows_matched,
        count(case when verdict is null then 1 end) as rows_silent,
        count(case when per_kg then 1 end) > 0 as per_kg,
        count(case when per_m2 then 1 end) > 0 as per_m2,
        min(verdict) as least,
        max(verdict) as most,
        min(row_no) as row_no,
        arg_min(value, row_no) as value,
        arg_min(value_6, row_no) as value_6,
        arg_min(limit_unit, row_no) as limit_unit,
        arg_min(crossed, row_no) as crossed
    from judged
    group by value_key
),

limited as (
    select distinct library_version, care_area, entry, limit_quantity from proposed_rows
),

entries as (
    select distinct library_version, care_area, entry from proposed_rows
),

weighed as (
    select distinct care_area from proposed_rows
    where limit_quantity = 'weight'
)

select
    p.*,
    g.row_no,
    coalesce(g.rows_matched, 0) as rows_matched,
    g.value,
    g.value_6,
    g.limit_unit,
    g.crossed,
    case
        when p.origin = 'alert' and p.limit_quantity = '' then 'not comparable: the log names no limit'
        when coalesce(p.entry, '') = '' then 'not comparable: no entry was chosen yet'
        when
            not exists (
                select 1
                from entries as e
                where
                    p.care_area = e.care_area and p.entry = e.entry
                    and (e.library_version is null or e.library_version = p.library_version)
            )
            then 'not comparable: the proposal does not hold the entry in this care area'
        -- a warning about the weight comes before an entry is chosen: its limit may stand in no row of any entry
        when g.value_key is null and p.limit_quantity = 'weight' and w.care_area is null
            then 'not comparable: the proposal holds no limit on weight in this care area'
        -- rows for other strengths or weights say nothing of this one; without any row nothing is limited
        when
            g.value_key is null
            and exists (
                select 1
                from limited as l
                where
                    p.care_area = l.care_area and p.entry = l.entry and p.limit_quantity = l.limit_quantity
                    and (l.library_version is null or l.library_version = p.library_version)
            )
            then 'not comparable: the proposal holds no row for this concentration or weight'
        when g.value_key is null then 'inside'
        -- of an alert the value itself stands in the log; of a rate alone no dose follows
        when g.rows_silent > 0 and p.entered_value is null and g.per_kg and p.weight_kg is null
            then 'not comparable: the limit is per kilogram, and no weight is known'
        when g.rows_silent > 0 and p.entered_value is null and g.per_m2
            then 'not comparable: the limit is per square metre, and no body surface is known'
        when
            g.rows_silent > 0 and p.entered_value is null and p.limit_quantity = 'dose_rate'
            and p.concentration_value is null
            then 'not comparable: no concentration is known, and no dose follows from the rate'
        when g.rows_silent > 0 then 'not comparable: the value cannot be put into the unit of the limit'
        when g.least <> g.most
            then
                'not comparable: may fall under several rows that differ: concentration or weight is not known, or '
                || 'rows overlap'
        else g.least
    end as verdict
from replay_points as p
left join gathered as g
    on p.value_key = g.value_key
left join weighed as w
    on p.care_area = w.care_area
