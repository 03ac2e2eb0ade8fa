-- title: Episodes that are one alarm
-- grain: one episode, with the number of its alarm among those of its channel and kind
-- needs: alarm_marks
-- why: sounding again within 60 s of clearing is the same alarm, whatever its id (ruling 39)
with followed as (
    select
        *,
        lag(clear_place) over of_kind as clear_place_before,
        lag(cleared_us) over of_kind as cleared_us_before,
        lead(first_place) over (
            partition by watch_no, thread, life order by first_place
        ) as next_place
    from alarm_episodes
    window of_kind as (partition by watch_no, alarm_kind, can_clear order by first_place)
)

select
    * exclude (clear_place_before, cleared_us_before, next_place),
    sum(
        case
            when
                can_clear and clear_place_before < first_place and first_us - cleared_us_before <= 60000000
                then 0
            else 1
        end
    ) over (
        partition by watch_no, alarm_kind, can_clear order by first_place
        rows between unbounded preceding and current row
    ) as alarm_number,
    -- the place up to which a silencing can concern it
    least(clear_place, next_place, next_off.place) as open_until
from followed
