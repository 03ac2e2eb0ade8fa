-- title: Entries of each library version, and whether a hard high limit on dose or rate guards them
-- grain: library version, care area, entry, concentration
-- note: with several weight bands every band needs the limit, for the weight that was used is not compared here
with quantities as (
    select
        library_version,
        care_area,
        entry,
        concentration_value,
        concentration_unit,
        limit_quantity,
        min(case when hard_high is null then 0 else 1 end) as every_band_limited
    from libraries
    group by library_version, care_area, entry, concentration_value, concentration_unit, limit_quantity
)

select
    library_version,
    care_area,
    entry,
    concentration_value,
    concentration_unit,
    max(
        case when limit_quantity in ('dose_rate', 'flow_rate', 'dose', 'rate') then every_band_limited else 0 end
    ) as guarded
from quantities
group by library_version, care_area, entry, concentration_value, concentration_unit
