-- title: The log of each channel that is watched, and where its patient is another one
-- grain: one event on one channel; what the whole pump did stands on each, and on the empty channel of the pump itself
-- order: watch_place
-- why: another patient ends what was warned of, and what an alarm concerned (rulings 12, 35)
with told as (
    select
        *,
        coalesce(lag(watch_no) over () <> watch_no, true) as is_first,
        kind = 'patient_changed' or patient_key is not null as tells_patient
    from watch_spread
),

seen as (
    select
        *,
        arg_max_null(patient_key, watch_place) filter (where is_first or tells_patient) over so_far
            as patient_seen
    from told
    window so_far as (rows between unbounded preceding and current row)
)

select
    * exclude (patient_key, tells_patient, patient_seen),
    kind = 'patient_changed'
    or (not is_first and coalesce(patient_key <> lag(patient_seen) over (), false)) as patient_turned
from seen
