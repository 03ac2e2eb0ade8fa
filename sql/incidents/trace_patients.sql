-- title: Where the patient changes, and where a power-off clears the weight
-- grain: one event
-- note: another key than the one known is another patient; no key is not known and changes nothing (rulings 4, 13)
with known as (
    select
        *,
        last_value(
            case when kind = 'patient_changed' or patient_key is not null then {'key': patient_key} end ignore nulls
        ) over before as known_before
    from trace_order
    window before as (
        partition by facility, pump_id order by place rows between unbounded preceding and 1 preceding
    )
)

select
    facility, pump_id, channel, place, event_id, occurred_at, care_area, entry, weight_kg, implausible,
    kind = 'patient_changed' or coalesce(patient_key <> known_before.key, false) as patient_turned,
    kind in ('powered_off', 'power_lost', 'powered_on') as power_turned
from known
