-- title: Which rows set the programme of a channel's line, and under which library use
-- grain: one event on one channel, at its line: the secondary or all else; power-off stands on both, once as mine
-- why: only confirmed rows, and the row that opens an infusion in mid-delivery, set what holds (rulings 3, 10, 13);
-- a secondary takes over nothing from its primary, and the primary finds its own values again (ruling 19)
with on_secondary as (
    select w.watch_no, v.place
    from channel_values as v
    inner join pump_channels as p on v.channel_no = p.channel_no
    inner join watch_channels as w on p.pump_no = w.pump_no and p.channel = w.channel
    where v.fluid_of_event = 'secondary'
),

starts as (
    select c.watch_no, i.infusion_id, i.start_kind, i.library_use, i.started_at
    from infusions as i
    inner join watch_channels as c
        on i.facility = c.facility and i.pump_id = c.pump_id and i.channel = c.channel
),

marked as (
    select
        w.watch_no, w.place, case when s.place is null then 0 else 1 end as line, e.kind, e.switched_off, e.may_hold,
        e.care_area, e.weight_kg, e.library_use, e.entry, e.concentration_value, e.concentration_unit, e.rate_ml_h,
        e.dose_value, e.dose_unit, e.volume_to_infuse_ml, e.programmed_duration_s,
        u.place is not null as keeps_use,
        i.infusion_id as begins_infusion,
        i.start_kind as begins_as,
        i.library_use as begins_under,
        epoch_us(i.started_at) as begins_us,
        w.kind = 'library_bypassed' and e.rate_ml_h is not null
        and coalesce(m.state_before in ('running', 'bolus'), false) as bypasses_now,
        d.dimension || ' ' || d.per_kg || ' ' || d.per_m2 || ' ' || (d.per_time_s is null) as dose_shape,
        d.factor / coalesce(d.per_time_s, 1.0) as dose_factor
    from watch_log as w
    inner join watch_events as e on w.pump_no = e.pump_no and w.place = e.place
    inner join watch_channels as c on w.watch_no = c.watch_no
    left join on_secondary as s on w.watch_no = s.watch_no and w.place = s.place
    left join starts as i
        on
            w.watch_no = i.watch_no
            and case when w.own then e.event_id else e.event_id || ':' || c.channel end = i.infusion_id
    left join uses_kept as u on w.watch_no = u.watch_no and w.place = u.place
    left join watch_moments as m
        on w.watch_no = m.watch_no and w.at_us = m.at_us and w.kind = 'library_bypassed'
    left join units as d on e.dose_unit = d.code and d.per_volume_ml is null
),

signs as (
    select
        *,
        coalesce(begins_as = 'missing', false) or bypasses_now
        or kind in ('infusion_started', 'infusion_resumed', 'rate_changed', 'programme_changed') as programmes
    from marked
),

waiting as (
    select
        *,
        coalesce(
            arg_max(
                case
                    when programmes then false
                    when kind = 'library_bypassed' then true
                    when switched_off then false
                end,
                place
            ) over (
                partition by watch_no order by place
                rows between unbounded preceding and 1 preceding
            ),
            false
        ) as bypass_waits
    from signs
),

named as (
    select
        *,
        bypasses_now
        or (
            programmes
            and (library_use is null or (library_use = 'unknown' and entry is null))
            and (kind = 'library_bypassed' or (bypass_waits and not switched_off))
        ) as bypasses
    from waiting
),

lined as (
    select *, true as mine
    from named
    union all
    select * replace (1 - line as line, false as programmes, false as bypasses), false as mine
    from named
    where switched_off and watch_no in (select watch_no from on_secondary)
),

told as (
    select
        *,
        case when bypasses then 'bypassed' when programmes then nullif(library_use, 'unknown') end as use_told,
        coalesce(programmes and library_use = 'unknown' and not bypasses, false) as says_unknown
    from lined
),

held as (
    select
        *,
        arg_max(
            case when says_unknown and not keeps_use then 'unknown' else use_told end, place
        ) over (
            partition by watch_no, line order by place rows between unbounded preceding and current row
        ) as use_here,
        arg_max(use_told, place) over before as use_known,
        coalesce(
            arg_max(case when says_unknown then true when use_told is not null then false end, place) over before,
            false
        ) as is_unsure
    from told
    window before as (
        partition by watch_no, line order by place rows between unbounded preceding and 1 preceding
    )
)

select
    * exclude (bypass_waits, keeps_use, use_told, says_unknown, use_known, is_unsure),
    programmes or kind = 'library_bypassed' as tells_rate,
    -- power-off and the other library use clear entry, concentration and dose (ruling 13); an unknown one clears only
    -- what a bypass had named, and a bypass whatever an unknown use had
    switched_off or bypasses
    or case
        when says_unknown then coalesce(use_known = 'bypassed', false) and not is_unsure
        when is_unsure
            then coalesce(use_told = 'bypassed' or (use_known <> 'bypassed' and use_told <> use_known), false)
        else coalesce(use_told <> use_known, false)
    end as clears
from held
