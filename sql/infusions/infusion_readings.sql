-- title: What the pump itself reports as delivered
-- grain: one infusion with a reading
-- why: a counter since clearing gives last less first, parts added over a clear (ruling 28); others their last. One
-- that fell with nothing logged that it begins anew at tells no total: what it showed last before that nobody knows
with inside as (
    select
        t.lane_no, t.ordinal, t.place, t.at_us, t.sign, t.starts, l.volume_delivered_ml as reading,
        coalesce(l.volume_scope, 'since_cleared') as scope
    from lane_turns as t
    inner join lane_log as l on t.place = l.place
    inner join infusion_frames as f on t.ordinal = f.ordinal
    where
        (t.sign = 'cleared' or (t.mine and t.own and (t.state <> 'closed' or t.ends_here)))
        and t.place <= coalesce(f.end_place, t.place) and coalesce(t.end_sign, '') <> 'late'
),

parts as (
    select
        *,
        count(case when sign = 'cleared' then 1 end) over in_infusion as clears_before,
        count(case when starts or sign in ('change', 'programme') then 1 end) over in_infusion as changes_before,
        count(case when starts then 1 end) over in_infusion as starts_before
    from inside
    window in_infusion as (
        partition by lane_no, ordinal order by place
        rows between unbounded preceding and current row
    )
),

readings as (
    select
        *,
        lead(reading) over (
            partition by lane_no, ordinal, scope order by place
        ) as next_reading,
        lead(starts_before) over (partition by lane_no, ordinal, scope order by place) as next_starts_before,
        lead(changes_before) over (partition by lane_no, ordinal, scope order by place) as next_changes_before,
        lead(clears_before) over (partition by lane_no, ordinal, scope order by place) as next_clears_before,
        row_number() over (
            partition by lane_no, ordinal, scope, clears_before order by place
        ) as from_first,
        row_number() over (
            partition by lane_no, ordinal, scope, clears_before order by place desc
        ) as from_last,
        row_number() over (
            partition by lane_no, ordinal, scope, changes_before order by place desc
        ) as from_last_change
    from parts
    where reading is not null
),

signed as (
    select
        lane_no, ordinal, scope, place, at_us,
        coalesce(
            next_reading < reading
            and case scope
                when 'infusion' then next_starts_before = starts_before and next_clears_before = clears_before
                when 'segment' then next_changes_before = changes_before
                else next_clears_before = clears_before
            end,
            false
        ) as fell,
        cast(reading as decimal(28, 9))
        * case scope
            -- the pump's own count of an infusion may begin anew at a start that continues ours, or at a clear
            when 'infusion' then case when coalesce(next_reading < reading, true) then 1 else 0 end
            when 'segment' then case when from_last_change = 1 then 1 else 0 end
            else
                case when from_last = 1 then 1 else 0 end
                - case when from_first = 1 and clears_before = 0 then 1 else 0 end
        end as part
    from readings
),

summed as (
    select
        lane_no, ordinal, scope,
        case when not bool_or(fell) then cast(sum(part) as double) end as volume_ml,
        count(*) as reading_count,
        arg_max(at_us, place) as last_us
    from signed
    group by lane_no, ordinal, scope
)

select
    lane_no, ordinal,
    coalesce(
        max(case when scope = 'infusion' then volume_ml end),
        max(case when scope = 'since_cleared' and reading_count >= 2 then volume_ml end),
        max(case when scope = 'segment' then volume_ml end)
    ) as volume_reported_ml,
    max(last_us) as last_reading_us
from summed
group by lane_no, ordinal
