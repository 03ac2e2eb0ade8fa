-- title: Where the numbers of a pump begin, end and occur again
-- grain: a numbered record at an edge of an unbroken run of numbers, or one whose number occurred before
-- why: of millions of numbers only these say anything about holes and resets
-- note: which of 64 neighbouring numbers are there is one word of bits. Where each of the 64 occurred once, and the two
-- numbers beside them did, none of them is an edge: only the other words are looked through, and those next to them
with words as (
    select
        source,
        pump_id,
        sequence >> 6 as word,
        bit_or(cast(1 as ubigint) << cast(sequence & 63 as ubigint)) as bits,
        count(*) as records
    from sequence_records
    where sequence is not null
    group by source, pump_id, word
),

beside as (
    select
        source,
        pump_id,
        word,
        records = 64 and bits = cast(18446744073709551615 as ubigint) as is_whole,
        case when lag(word) over by_word = word - 1 then (lag(bits) over by_word) >> 63 = 1 else false end as goes_back,
        case when lead(word) over by_word = word + 1 then (lead(bits) over by_word) & 1 = 1 else false end as goes_on
    from words
    window by_word as (partition by source, pump_id order by word)
),

telling as (
    select
        source,
        pump_id,
        word,
        not is_whole or not goes_back or not goes_on as tells
    from beside
),

-- the neighbours of a number of such a word may lie in the words beside it
looked_at as (
    select
        t.source,
        t.pump_id,
        t.word,
        t.tells
    from (
        select
            *,
            coalesce(lag(tells) over by_word, false) and lag(word) over by_word = word - 1 as after_one,
            coalesce(lead(tells) over by_word, false) and lead(word) over by_word = word + 1 as before_one
        from telling
        window by_word as (partition by source, pump_id order by word)
    ) as t
    where t.tells or t.after_one or t.before_one
),

neighbours as (
    select
        r.source,
        r.pump_id,
        r.sequence,
        r.device_time,
        r.occurred_at,
        w.tells,
        lag(r.sequence) over by_number as before_number,
        lag(r.device_time) over by_number as before_time,
        lead(r.sequence) over by_number as next_number
    from sequence_records as r
    inner join looked_at as w
        on r.source = w.source and r.pump_id = w.pump_id and r.sequence >> 6 = w.word
    window by_number as (
        partition by r.source, r.pump_id
        order by r.sequence, r.device_time nulls last, r.occurred_at nulls last
    )
),

judged as (
    select
        source,
        pump_id,
        sequence,
        device_time,
        occurred_at,
        coalesce(sequence - before_number > 1, true) as opens,
        coalesce(next_number - sequence > 1, true) as closes,
        coalesce(sequence = before_number and device_time <> before_time, false) as repeats
    from neighbours
    where tells
)

select *
from judged
where opens or closes or repeats
