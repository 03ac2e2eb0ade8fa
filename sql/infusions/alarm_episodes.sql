-- title: Each time that a condition began to sound, until it was cleared or ended
-- grain: one episode: all rows from the one that begins it to the one that ends it, summed
-- needs: alarm_marks
-- why: a new raise after the end of what was never cleared is a new alarm (ruling 12), a repeat soon after is not (39)
with stepped as (
    select
        *,
        case when can_clear then power_session else 0 end as life,
        coalesce(not lag(sounds) over in_thread, true) and sounds as begins_plainly
    from alarm_threads
    where kind <> 'alarm_silenced'
    window in_thread as (
        partition by watch_no, thread, case when can_clear then power_session else 0 end order by place
    )
),

raised as (
    select
        *,
        sounds and (kind = 'alarm_raised' or begins_plainly) as raises,
        arg_max(
            case
                when sounds and (kind = 'alarm_raised' or begins_plainly)
                    then {
                        'at_us': at_us,
                        'end_us': least(
                            next_patient_us, case when infusion_end_us >= at_us then infusion_end_us end
                        )
                    }
            end,
            place
        ) over (
            partition by watch_no, thread, life order by place
            rows between unbounded preceding and 1 preceding
        ) as raise_before
    from stepped
),

begun as (
    select
        *,
        begins_plainly
        or coalesce(
            kind = 'alarm_raised'
            and case when can_clear then raise_before.end_us < at_us else at_us - raise_before.at_us > 60000000 end,
            false
        ) as begins
    from raised
),

numbered as (
    select
        *,
        sum(case when begins then 1 else 0 end) over (
            partition by watch_no, thread, life order by place
            rows between unbounded preceding and current row
        ) as episode
    from begun
)

select
    watch_no, thread, life, episode,
    bool_and(can_clear) as can_clear,
    min(place) as first_place,
    min(at_us) as first_us,
    arg_min(kind_named, place) as alarm_kind,
    arg_min(event_id, place) as event_id,
    arg_min(source_name, place) as source_name,
    arg_min({'v': care_area}, place).v as care_area,
    arg_min({'v': use_context}, place).v as use_context,
    arg_min({'v': infusion_id}, place).v as infusion_id,
    arg_min({'v': power_session}, place).v as power_session,
    arg_min({'v': next_off}, place).v as next_off,
    max(
        case
            when
                sounds
                then
                    case alarm_priority when 'high' then 3 when 'medium' then 2 when 'low' then 1 when 'none' then 0 end
        end
    ) as priority_rank,
    count(case when sounds then 1 end) as raw_count,
    max(case when sounds and stopped_delivery then 1 else 0 end) = 1 as any_stopped,
    max(case when sounds and stopped_delivery is null then 1 else 0 end) = 1 as any_unsure,
    min(case when not sounds then place end) as clear_place,
    arg_min(at_us, place) filter (where not sounds) as cleared_us,
    arg_max(
        {
            'patient_us': next_patient_us,
            'infusion_end_us': case when infusion_end_us >= at_us then infusion_end_us end
        },
        place
    ) filter (where raises) as raise_ends
from numbered
where episode > 0
group by watch_no, thread, life, episode
