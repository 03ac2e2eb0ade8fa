-- title: Pumps that have not been heard from for longer than usual
-- grain: pump
-- note: the silence is counted up to the newest day on which any pump was heard. Usual: 95 of 100 silences of
-- that pump were no longer; more than twice that, and three days, is unusual: common practice, no source. A pump
-- that was heard on fewer than ten days is not judged
with usual as (
    select
        pump_id,
        max(day) as last_day,
        count(*) as days_heard,
        quantile_disc(days_since, 0.95) as usual_days
    from pump_days
    group by pump_id
),

silent as (
    select
        pump_id,
        last_day,
        days_heard,
        usual_days,
        (select max(day) from pump_days) - last_day as silent_days
    from usual
)

select
    pump_id,
    last_day,
    cast(silent_days as bigint) as silent_days,
    cast(usual_days as bigint) as usual_days
from silent
where days_heard >= 10 and silent_days > 3 and silent_days > 2 * usual_days
