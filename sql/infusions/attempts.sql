-- title: Attempts
-- grain: one human effort that drew limit alerts
-- needs: attempt_sessions
-- why: what became of a warning, and how far from which limit (rulings 31-34)
with candidates as (
    select
        o.watch_no, o.session, c.limit_side, c.limit_quantity, c.quantity, c.limit_value, c.limit_unit, c.place,
        0 as rank, coalesce(c.limit_kind = 'hard', false) as is_hard, coalesce(c.times_limit, 0.0) as times_limit
    from attempt_outcomes as o
    inner join attempt_crossings as c on o.watch_no = c.watch_no and o.session = c.session
    where o.outcome = 'overridden' and c.is_outside
    union all
    select
        watch_no, session, limit_side, limit_quantity, quantity, limit_value, limit_unit, place,
        1 as rank, false as is_hard, 0.0 as times_limit
    from attempt_rows
    where is_first
),

-- the soft limit that is crossed most, else the first alert's (ruling 34)
chosen as (
    select * from candidates
    qualify row_number() over (partition by watch_no, session order by rank, is_hard, times_limit desc, place) = 1
),

valued as (
    select
        o.*, c.limit_side, c.limit_quantity, c.quantity, c.limit_value, c.limit_unit,
        v.first_told.value as first_value_told,
        v.first_told.unit as first_unit_told,
        v.unit as value_unit,
        case
            when o.outcome = 'unchanged' then coalesce(v.own, v.held_after)
            else v.final_value
        end as final_told,
        v.held_before
    from attempt_outcomes as o
    inner join chosen as c
        on o.watch_no = c.watch_no and o.session = c.session
    left join attempt_verdicts as v
        on
            c.watch_no = v.watch_no and c.session = v.session
            and c.quantity = v.quantity
),

-- from the unit of what was told, and from that of the quantity, into the unit of the chosen limit
scaled as (
    select
        v.*,
        case
            when coalesce(v.first_unit_told, '') = coalesce(v.limit_unit, '') then 1.0
            when
                a.dimension = t.dimension and a.per_kg = t.per_kg and a.per_m2 = t.per_m2
                and (a.per_time_s is null) = (t.per_time_s is null)
                and (a.per_volume_ml is null) = (t.per_volume_ml is null)
                then
                    a.factor / coalesce(a.per_time_s, 1.0) / coalesce(a.per_volume_ml, 1.0)
                    / (t.factor / coalesce(t.per_time_s, 1.0) / coalesce(t.per_volume_ml, 1.0))
        end as first_scale,
        case
            when coalesce(v.value_unit, '') = coalesce(v.limit_unit, '') then 1.0
            when
                b.dimension = t.dimension and b.per_kg = t.per_kg and b.per_m2 = t.per_m2
                and (b.per_time_s is null) = (t.per_time_s is null)
                and (b.per_volume_ml is null) = (t.per_volume_ml is null)
                then
                    b.factor / coalesce(b.per_time_s, 1.0) / coalesce(b.per_volume_ml, 1.0)
                    / (t.factor / coalesce(t.per_time_s, 1.0) / coalesce(t.per_volume_ml, 1.0))
        end as value_scale
    from valued as v
    left join units as a on v.first_unit_told = a.code
    left join units as b on v.value_unit = b.code
    left join units as t on v.limit_unit = t.code
),

entered as (
    select
        *,
        first_value_told * first_scale as entered_first,
        case when has_confirmed then final_told * value_scale end as entered_final,
        held_before * value_scale as running_value,
        coalesce(
            entry_at_first <> case when has_confirmed then entry else values_before.entry end, false
        ) as entry_differs
    from scaled
),

measured as (
    select
        *,
        case when outcome = 'overridden' then entered_final else entered_first end as measured_value,
        case
            when outcome = 'left_library' or entry_differs then null
            when has_confirmed then entered_first / nullif(entered_final, 0)
            when ran then entered_first / nullif(running_value, 0)
        end as change_factor
    from entered
),

later as (
    select
        m.watch_no, m.session,
        bool_or(
            case m.limit_side
                when 'high'
                    then
                        cast(printf('%.5e', r.value * m.value_scale) as double)
                        <= cast(printf('%.5e', m.limit_value) as double)
                when 'low'
                    then
                        cast(printf('%.5e', r.value * m.value_scale) as double)
                        >= cast(printf('%.5e', m.limit_value) as double)
            end
        ) as came_inside
    from measured as m
    inner join attempt_readings as r
        on
            m.watch_no = r.watch_no and m.session = r.session
            and m.quantity = r.quantity
    where m.outcome = 'overridden' and r.reading = 'later' and coalesce(r.entry = m.entry, true)
    group by m.watch_no, m.session
)

select
    m.attempt_id, m.infusion_id, c.facility, c.pump_id, c.channel, m.watch_no, m.care_area, m.entry,
    make_timestamptz(m.first_us) as first_alert_at,
    make_timestamptz(m.last_alert_us) as last_alert_at,
    make_timestamptz(m.decided_us) as decided_at,
    m.alerts, m.met_soft, m.met_hard, m.limit_side, m.limit_quantity, m.limit_value, m.limit_unit, m.entered_first,
    m.entered_final,
    case
        when
            m.limit_side = 'high' and m.limit_value <> 0
            and cast(printf('%.5e', m.measured_value) as double) >= cast(printf('%.5e', m.limit_value) as double)
            then m.measured_value / m.limit_value
        when
            m.limit_side = 'low' and m.measured_value <> 0
            and cast(printf('%.5e', m.limit_value) as double) >= cast(printf('%.5e', m.measured_value) as double)
            then m.limit_value / m.measured_value
    end as limit_multiple,
    m.change_factor,
    m.outcome,
    m.outcome = 'overridden' and coalesce(l.came_inside, false) as reversed,
    m.phase, m.ending, m.is_confirmed, m.end_row_id,
    coalesce(m.use_context, x.use_context, 'unknown') as use_context,
    m.source_name,
    strftime(make_timestamp(m.first_us), '%Y-%m') as month
from measured as m
inner join watch_channels as c on m.watch_no = c.watch_no
left join later as l
    on m.watch_no = l.watch_no and m.session = l.session
left join area_contexts as x on m.care_area = x.care_area
