-- title: Rows that warn, that decide after a warning, and that confirm a programme
-- grain: one event
-- why: an alert may be logged as an alarm; one without a channel belongs to the channel that acts next (rulings 37, 40)
with warned as (
    select
        pump_no, channel, event_id, place, at_us, kind,
        count(case when kind = 'limit_alerted' then 1 end) over (
            partition by pump_no, channel order by at_us
            range between 5000000 preceding and 5000000 following
        ) as near_on_channel,
        count(case when kind = 'limit_alerted' and channel = '' then 1 end) over (
            partition by pump_no order by at_us range between 5000000 preceding and 5000000 following
        ) as near_on_pump,
        count(case when kind = 'limit_alerted' then 1 end) over (
            partition by pump_no order by at_us range between 5000000 preceding and 5000000 following
        ) as near_anywhere
    from watch_rows
    where kind = 'limit_alerted' or (kind = 'alarm_raised' and alarm_kind = 'limit_alert')
),

alerts as (
    select event_id
    from warned
    where
        kind = 'limit_alerted'
        or (near_on_channel = 0 and near_on_pump = 0 and not (channel = '' and near_anywhere > 0))
),

signs as (
    select
        p.pump_no, p.channel, p.event_id, p.place, p.at_us,
        a.event_id is not null as is_alert,
        p.kind in ('limit_overridden', 'reprogrammed_within_limits') as is_decision,
        coalesce(p.initiator, 'user') <> 'pump' as is_by_user,
        p.kind in ('infusion_started', 'infusion_resumed', 'rate_changed', 'programme_changed', 'bolus_started')
        and coalesce(p.initiator, 'user') <> 'pump' as confirms
    from watch_rows as p
    left join alerts as a on p.event_id = a.event_id
    where
        a.event_id is not null
        or p.kind in (
            'limit_overridden', 'reprogrammed_within_limits', 'infusion_started', 'infusion_resumed', 'rate_changed',
            'programme_changed', 'bolus_started'
        )
),

ahead as (
    select
        *,
        arg_min(
            case
                when channel <> '' and (is_alert or is_decision or confirms) then {'channel': channel, 'at_us': at_us}
            end,
            place
        ) over (
            partition by pump_no order by place rows between 1 following and unbounded following
        ) as next_named
    from signs
)

select
    event_id, is_alert, is_decision, confirms,
    case
        when channel <> '' then channel
        when next_named.at_us - at_us <= 600000000 then next_named.channel
        else ''
    end as belongs_to
from ahead
