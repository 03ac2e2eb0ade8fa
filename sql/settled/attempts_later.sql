-- title: Attempts of an infusion that lie in a later month than its first one, and what they say
-- grain: month (UTC) of the first attempt
-- why: whether an infusion had any override, or met a limit whose kind is known, its attempts of all months say
with long_ones as (
    select
        infusion_id,
        min(first_alert_at) as begun_at,
        min(month) as begun_in
    from attempts
    where infusion_id is not null
    group by infusion_id
    having min(month) < max(month)
),

later as (
    select
        f.begun_at,
        f.begun_in,
        md5_number(cast(a as varchar)) as said
    from attempts as a
    inner join long_ones as f
        on a.infusion_id = f.infusion_id and a.month > f.begun_in
)

select
    min(begun_at) as first_at,
    count(*) as attempts,
    cast(bit_xor(said) as varchar) as said
from later
group by begun_in
