-- title: By how much each reading of the pump's own counter grew, and since when
-- grain: one reading in an infusion, except the first of a counter since it was cleared: it has nothing before it
-- note: grown_ml is null where the counter fell with no clear (or start, or change, by its scope): it began anew at a
-- moment that nobody logged
-- why: the rule of `infusion_readings`, part by part, so that trace, finding and infusions tell one total (ruling 28)
with begun as (
    select
        i.infusion_id, i.facility, i.pump_id, i.channel, i.care_area, i.entry, i.uncertain, i.started_at, i.ended_at,
        coalesce(
            min(case when split_part(i.infusion_id, ':', 1) = o.event_id then o.place end), min(o.place)
        ) as start_place
    from infusions as i
    inner join trace_order as o
        on
            i.facility = o.facility and i.pump_id = o.pump_id
            and (i.channel = o.channel or o.channel = '')
            and i.started_at <= o.occurred_at
    group by all
),

inside as (
    select
        b.* exclude (start_place),
        o.place, o.occurred_at, o.event_id, o.kind,
        case when o.channel <> '' then o.volume_delivered_ml end as reading,
        coalesce(o.volume_scope, 'since_cleared') as scope
    from begun as b
    inner join trace_order as o
        on
            b.facility = o.facility and b.pump_id = o.pump_id
            and (b.channel = o.channel or (o.channel = '' and o.kind = 'totals_cleared'))
            and b.start_place <= o.place
            and coalesce(b.ended_at, o.occurred_at) >= o.occurred_at
    -- a secondary has its own; a start that ends another infusion is its own first event
    qualify row_number() over (partition by o.event_id, b.channel order by b.start_place desc) = 1
),

counted as (
    select
        *,
        count(case when kind = 'totals_cleared' then 1 end) over so_far as clears,
        count(case when kind in ('infusion_started', 'infusion_resumed') then 1 end) over so_far as starts,
        count(
            case
                when kind in ('infusion_started', 'infusion_resumed', 'rate_changed', 'programme_changed') then 1
            end
        ) over so_far as changes,
        last_value(case when kind = 'totals_cleared' then occurred_at end ignore nulls) over so_far as cleared_at,
        last_value(
            case when kind in ('infusion_started', 'infusion_resumed') then occurred_at end ignore nulls
        ) over so_far as begun_at,
        last_value(
            case
                when kind in ('infusion_started', 'infusion_resumed', 'rate_changed', 'programme_changed')
                    then occurred_at
            end ignore nulls
        ) over so_far as changed_at
    from inside
    window so_far as (partition by infusion_id order by place rows between unbounded preceding and current row)
),

neighbours as (
    select
        * exclude (reading),
        cast(reading as decimal(28, 9)) as reading,
        cast(lag(reading) over by_place as decimal(28, 9)) as reading_before,
        lag(occurred_at) over by_place as read_before_at,
        lag(clears) over by_place as clears_before,
        lag(starts) over by_place as starts_before,
        lag(changes) over by_place as changes_before
    from counted
    where reading is not null
    window by_place as (partition by infusion_id, scope order by place)
),

anew as (
    select
        *,
        case scope
            -- the pump's own count of an infusion may begin anew at a start that continues ours, or at a clear
            when 'infusion'
                then
                    reading_before is null
                    or (reading < reading_before and (starts > starts_before or clears > clears_before))
            when 'segment' then reading_before is null or changes > changes_before
            else clears > coalesce(clears_before, 0)
        end as is_anew
    from neighbours
)

select
    infusion_id, facility, pump_id, channel, care_area, entry, uncertain, scope, place, event_id, occurred_at,
    case when is_anew then reading when reading >= reading_before then reading - reading_before end as grown_ml,
    case
        when not is_anew then read_before_at
        when scope = 'infusion' and reading_before is null then started_at
        when scope = 'infusion' then greatest(begun_at, cleared_at)
        when scope = 'segment' then coalesce(changed_at, started_at)
        else cleared_at
    end as since_at
from anew
where is_anew or reading_before is not null
