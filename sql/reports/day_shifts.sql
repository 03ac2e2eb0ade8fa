-- title: The eight-hour shift of each hour of the day
-- grain: hour
-- why: area, day and minute would name the nurse on duty; committee pages show date and shift
select
    range as hour_of_day,
    case
        when range < 8 then '00-08'
        when range < 16 then '08-16'
        else '16-24'
    end as shift
from range(24)
