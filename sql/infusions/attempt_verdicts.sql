-- title: What is known of each quantity of an attempt: the decision and the final value
-- grain: one quantity of one attempt ('' where the alert names none)
-- needs: attempt_sessions
-- why: the final value is the confirmed one, from the surest row that has it
with readings as (
    select
        watch_no, session, quantity,
        max(case when reading = 'own' then value end) as own,
        arg_max(value, place) filter (where reading = 'other' and value is not null) as other,
        max(case when reading = 'held_before' then value end) as held_before,
        max(case when reading = 'held_after' then value end) as held_after
    from attempt_readings
    where reading <> 'later'
    group by watch_no, session, quantity
),

entered as (
    select
        q.watch_no, q.session, q.quantity,
        arg_min({'value': r.entered_value, 'unit': r.limit_unit}, r.place) as first_told
    from attempt_quantities as q
    inner join attempt_rows as r
        on
            q.watch_no = r.watch_no and q.session = r.session
            and q.quantity = r.quantity
    where r.entered_value is not null
    group by q.watch_no, q.session, q.quantity
),

joined as (
    select
        q.watch_no, q.session, q.quantity, q.unit, q.last_row_place,
        d.decision,
        r.own, r.other, r.held_before, r.held_after,
        f.is_confirmed,
        case
            when coalesce(d.unit, '') = coalesce(q.unit, '') then d.value
            when
                a.dimension = t.dimension and a.per_kg = t.per_kg and a.per_m2 = t.per_m2
                and (a.per_time_s is null) = (t.per_time_s is null)
                and (a.per_volume_ml is null) = (t.per_volume_ml is null)
                then
                    d.value * a.factor / coalesce(a.per_time_s, 1.0) / coalesce(a.per_volume_ml, 1.0)
                    / (t.factor / coalesce(t.per_time_s, 1.0) / coalesce(t.per_volume_ml, 1.0))
        end as decided_value,
        e.first_told
    from attempt_quantities as q
    inner join attempt_frames as f
        on q.watch_no = f.watch_no and q.session = f.session
    left join attempt_decisions as d
        on
            q.watch_no = d.watch_no and q.session = d.session
            and q.quantity = d.quantity
    left join readings as r
        on
            q.watch_no = r.watch_no and q.session = r.session
            and q.quantity = r.quantity
    left join entered as e
        on
            q.watch_no = e.watch_no and q.session = e.session
            and q.quantity = e.quantity
    left join units as a on d.unit = a.code
    left join units as t on q.unit = t.code
)

select
    * exclude (other, decided_value, is_confirmed),
    coalesce(
        own,
        other,
        decided_value,
        case
            when is_confirmed and decision is null and quantity in ('weight', 'concentration', 'dose_rate', 'flow_rate')
                then held_after
        end
    ) as final_value
from joined
