-- title: Which open alarm a row means that does not name one by itself
-- grain: one such row that means an alarm
-- needs: alarm_marks
-- why: what names nothing means the one alarm that is open there, and what one row clears no later one can clear, so
-- why: stretches with such rows are read row by row; what ended uncleared (ruling 12) is meant if no other can be
with ended as (
    select
        *,
        -- where its alarm has surely ended: at power-off, or where a row that asks nothing clears it
        case
            when sounds then coalesce(
                least(
                    off_place,
                    arg_min(case when kind = 'alarm_cleared' and not asks then place end, place) over (
                        partition by watch_no, own_thread order by place
                        rows between 1 following and unbounded following
                    )
                ),
                9223372036854775807
            )
        end as end_place
    from alarm_names
    where not (kind = 'alarm_silenced' and names_none)
),

reached as (
    select
        *,
        max(end_place) over (
            partition by pump_no order by place rows between unbounded preceding and 1 preceding
        ) as reached_place
    from ended
),

stretches as (
    select
        *,
        sum(case when reached_place >= place then 0 else 1 end) over (
            partition by pump_no order by place rows between unbounded preceding and current row
        ) as stretch
    from reached
),

logs as (
    select
        pump_no,
        stretch,
        list(
            {
                'watch_no': watch_no, 'place': place, 'at_us': at_us, 'alarm_id': alarm_id, 'alarm_kind': alarm_kind,
                'kind_named': kind_named, 'sounds': sounds, 'raises': raises, 'clears': kind = 'alarm_cleared',
                'names_none': names_none and not raises, 'reaches': reaches, 'asks': asks, 'over_us': over_us,
                'off_place': off_place
            }
            order by place
        ) as lines
    from stretches
    group by pump_no, stretch
    having bool_or(asks)
),

read_through as (
    select
        pump_no,
        -- sqlfluff knows no lambda of two
        list_reduce(  -- noqa: PRS
            lines,
            lambda told, r: list_transform(
                list_transform(
                    list_transform(
                        [
                            list_transform(
                                list_filter(told.open, lambda o: coalesce(o.off_place > r.place, true)),
                                -- how well an open alarm fits: the lower the better, null not at all
                                lambda o: {
                                    'open': o,
                                    'is_over': coalesce(o.over_us < r.at_us, false),
                                    'fit': case
                                        when r.names_none
                                            then case when o.watch_no = r.watch_no or r.reaches then 9 end
                                        when o.watch_no = r.watch_no and o.alarm_id = r.alarm_id
                                            then 1
                                        when
                                            o.watch_no = r.watch_no and o.kind_named = r.kind_named
                                            and case
                                                when r.alarm_id is not null then o.alarm_id is null and not r.sounds
                                                else
                                                    not r.raises or o.alarm_id is null
                                                    or coalesce(o.over_us >= r.at_us, true)
                                            end
                                            then 3
                                        when r.reaches and o.alarm_id = r.alarm_id
                                            then 5
                                        when
                                            r.reaches and o.watch_no <> r.watch_no and o.kind_named = r.alarm_kind
                                            and (r.alarm_id is null or o.alarm_id is null)
                                            then 7
                                    end
                                    + case when o.over_us < r.at_us then 1 else 0 end
                                }
                            )
                        ],
                        lambda known: {
                            'known': known,
                            'best': list_filter(
                                known, lambda k: k.fit = list_min(list_transform(known, lambda x: x.fit))
                            )
                        }
                    ),
                    lambda s: {
                        'known': s.known,
                        -- by name the first that was opened, else the only one; an update may be the last one's
                        'hit': case
                            when s.best[1].fit <= 4 or len(s.best) = 1 then s.best[1]
                            when r.names_none and r.sounds then list_filter(
                                s.best,
                                lambda b: b.open.last_place
                                = list_max(list_transform(s.best, lambda x: x.open.last_place))
                            )[1]
                        end
                    }
                ),
                lambda s: {
                    'open': list_transform(
                        list_filter(
                            s.known,
                            lambda k: k.open.opened_place is distinct from s.hit.open.opened_place
                            or not (r.clears or (r.raises and k.is_over))
                        ),
                        lambda k: case
                            when k.open.opened_place is distinct from s.hit.open.opened_place or not r.sounds
                                then k.open
                            else {
                                'watch_no': k.open.watch_no, 'alarm_id': k.open.alarm_id,
                                'kind_named': k.open.kind_named,
                                'over_us': case when r.raises then r.over_us else k.open.over_us end,
                                'off_place': k.open.off_place, 'opened_place': k.open.opened_place,
                                'last_place': r.place
                            }
                        end
                    )
                    || case
                        when r.sounds and (s.hit is null or (r.raises and s.hit.is_over)) then [
                            {
                                'watch_no': r.watch_no, 'alarm_id': r.alarm_id, 'kind_named': r.kind_named,
                                'over_us': r.over_us, 'off_place': r.off_place, 'opened_place': r.place,
                                'last_place': r.place
                            }
                        ]
                        else []
                    end,
                    'asked': told.asked || case when r.asks and s.hit is not null then [r.place] else [] end,
                    'meant': told.meant
                    || case when r.asks and s.hit is not null then [s.hit.open.opened_place] else [] end
                }
            )[1],
            {
                'open': cast([] as struct(
                    watch_no bigint, alarm_id varchar, kind_named varchar, over_us bigint, off_place bigint,
                    opened_place bigint, last_place bigint
                )[]),
                'asked': cast([] as bigint[]),
                'meant': cast([] as bigint[])
            }
        ) as told
    from logs
),

answered as (
    select
        pump_no,
        unnest(told.asked) as place,
        unnest(told.meant) as opened_place
    from read_through
)

select
    a.pump_no, a.place, o.watch_no, o.power_session,
    o.own_thread as thread
from answered as a
inner join alarm_names as o
    on a.pump_no = o.pump_no and a.opened_place = o.place
