-- title: When each alarm was first silenced
-- grain: one alarm that was silenced
-- needs: alarm_marks
-- why: a silencing that names nothing concerns all that sounds there; else the first open alarm that it names.
-- Alarms of one thread follow each other, so that of each thread only the last one can be open
with silences as (
    select
        watch_no,
        own_watch_no,
        pump_no,
        channel,
        place,
        at_us,
        thread,
        'mute: ' || kind_named as mute_thread,
        alarm_id is null and alarm_kind is null as names_none
    from alarm_threads
    where kind = 'alarm_silenced'
),

-- on every channel that one concerns which names nothing
heard as (
    select s.watch_no, s.place, s.at_us
    from silences as s
    where s.names_none and s.channel <> ''
    union all
    select c.watch_no, s.place, s.at_us
    from silences as s
    inner join watch_channels as c on s.pump_no = c.pump_no
    where s.names_none and s.channel = ''
),

in_turn as (
    select
        watch_no, first_place as place, null as at_us, alarm_kind, can_clear, alarm_number, open_until, true as begins
    from alarm_groups
    union all
    select
        watch_no, place, at_us, null as alarm_kind, null as can_clear, null as alarm_number, null as open_until,
        false as begins
    from heard
),

followed as (
    select
        *,
        arg_min(case when not begins then {'place': place, 'at_us': at_us} end, place) over (
            partition by watch_no order by place rows between 1 following and unbounded following
        ) as next_silence
    from in_turn
),

-- by name: on its thread, and on that of a source which logs no clearing
named as (
    select watch_no as silence_watch_no, watch_no, thread, place, at_us
    from silences
    where not names_none and thread is not null
    union
    select watch_no as silence_watch_no, own_watch_no as watch_no, mute_thread as thread, place, at_us
    from silences
    where not names_none
),

in_thread as (
    select
        null as silence_watch_no, watch_no, thread, first_place as place, null as at_us,
        {
            'first_place': first_place, 'open_until': open_until, 'alarm_kind': alarm_kind, 'can_clear': can_clear,
            'alarm_number': alarm_number
        } as episode
    from alarm_groups
    union all
    select silence_watch_no, watch_no, thread, place, at_us, null as episode
    from named
),

met as (
    select
        silence_watch_no, watch_no, place, at_us,
        arg_max(episode, place) over (
            partition by watch_no, thread order by place rows between unbounded preceding and 1 preceding
        ) as episode
    from in_thread
),

ranked as (
    select
        *,
        row_number() over (partition by silence_watch_no, place order by episode.first_place) as rank
    from met
    where silence_watch_no is not null and place < coalesce(episode.open_until, place + 1) and episode is not null
),

silenced as (
    select
        watch_no, alarm_kind, can_clear, alarm_number,
        next_silence.place as place,
        next_silence.at_us as at_us
    from followed
    where begins and next_silence.place < coalesce(open_until, next_silence.place + 1)
    union all
    select
        watch_no, episode.alarm_kind as alarm_kind, episode.can_clear as can_clear,
        episode.alarm_number as alarm_number, place, at_us
    from ranked
    where rank = 1
)

select watch_no, alarm_kind, can_clear, alarm_number, arg_min(at_us, place) as silenced_us
from silenced
group by watch_no, alarm_kind, can_clear, alarm_number
