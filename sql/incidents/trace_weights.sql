-- title: Every weight that was logged, with the one before it and how often patient or power turned before
-- grain: one event that carries a weight
with marked as (
    select
        facility, pump_id, channel, event_id, occurred_at, care_area, entry, weight_kg, implausible,
        count(case when patient_turned then 1 end) over so_far as patients,
        count(case when power_turned then 1 end) over so_far as power_turns
    from trace_patients
    window so_far as (
        partition by facility, pump_id order by place rows between unbounded preceding and current row
    )
),

weighed as (
    select
        *,
        lag(weight_kg) over by_time as weight_before,
        lag(patients) over by_time as patients_before,
        lag(power_turns) over by_time as power_turns_before,
        lag(event_id) over by_time as event_before
    from marked
    where weight_kg is not null
    window by_time as (partition by facility, pump_id order by occurred_at, event_id)
)

select * from weighed
