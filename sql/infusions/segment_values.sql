-- title: Stretches joined where nothing changes
-- grain: one segment with unrounded values
-- why: a segment is a stretch in which state, rate and programme do not change
with compared as (
    select
        *,
        -- of another lane, it is of another infusion
        coalesce(
            ordinal <> lag(ordinal) over ()
            or from_us <> lag(to_us) over ()
            or state is distinct from lag(state) over ()
            or rate_ml_h is distinct from lag(rate_ml_h) over ()
            or dose_per_h is distinct from lag(dose_per_h) over ()
            or care_area is distinct from lag(care_area) over ()
            or library_version is distinct from lag(library_version) over ()
            or weight_kg is distinct from lag(weight_kg) over ()
            or patient_key is distinct from lag(patient_key) over ()
            or library_use is distinct from lag(library_use) over ()
            or entry is distinct from lag(entry) over ()
            or concentration_value is distinct from lag(concentration_value) over ()
            or concentration_unit is distinct from lag(concentration_unit) over ()
            or dose_value is distinct from lag(dose_value) over ()
            or dose_unit is distinct from lag(dose_unit) over ()
            or fluid_source is distinct from lag(fluid_source) over (),
            true
        ) as changes
    from stretch_pieces
),

numbered as (
    select
        *,
        count(case when changes then 1 end) over (rows between unbounded preceding and current row)
            as segment_number
    from compared
)

select
    lane_no, ordinal, segment_number,
    min(from_us) as from_us,
    max(to_us) as to_us,
    any_value(state) as state,
    any_value(rate_ml_h) as rate_ml_h,
    any_value(dose_per_h) as dose_per_h,
    any_value(dose_amount_unit) as dose_amount_unit,
    any_value(care_area) as care_area,
    any_value(library_version) as library_version,
    any_value(weight_kg) as weight_kg,
    any_value(patient_key) as patient_key,
    any_value(library_use) as library_use,
    any_value(entry) as entry,
    any_value(concentration_value) as concentration_value,
    any_value(concentration_unit) as concentration_unit,
    any_value(concentration_amount_unit) as concentration_amount_unit,
    any_value(concentration_per_ml) as concentration_per_ml,
    any_value(dose_value) as dose_value,
    any_value(dose_unit) as dose_unit,
    any_value(fluid_source) as fluid_source
from numbered
group by lane_no, ordinal, segment_number
