-- title: What counts as a start under other windows of continuation after a stop or completion
-- grain: one start under one window
-- note: infusions are built once, with the site's window; these are the gaps between neighbours, cut or bridged. The
-- window after a pause stays. Under 0 every piece is a start of its own month; under 60 the first of a chain is.
-- Only months for which other windows are asked stand here (`window_months`)
with cut as (
    select
        i.infusion_id,
        m.month,
        coalesce(i.care_area, 'none selected') as care_area,
        coalesce(i.library_use, 'unknown') as library_use
    from infusions as i
    left join continuation_pieces as p
        on i.infusion_id = p.infusion_id
    inner join window_months as m
        on
            (case when coalesce(p.piece, 0) = 0 then i.started_at else p.started_at end) >= m.begins_at
            and (case when coalesce(p.piece, 0) = 0 then i.started_at else p.started_at end) < m.ends_at
    left join pump_logs as g
        on i.pump_id = g.pump_id and i.source_name = g.source_name and m.month = g.month
    inner join source_records as c
        on coalesce(g.log, i.source_name) = c.source_name and c.kind = 'infusion_started'
    cross join measure_settings as t
    where
        coalesce(i.use_context, 'unknown') not in ('maintenance', 'training')
        and (coalesce(p.piece, 0) > 0 or i.start_kind not in ('patient_change', 'missing'))
        and case
            when coalesce(p.pieces, 1) = 1 then not coalesce(i.false_start, false)
            when i.end_kind = 'open' and p.piece = p.pieces - 1 then true
            else p.elapsed_us >= t.false_start_us and coalesce(p.volume_ml, 1) > 0
        end
),

chained as (
    select
        k.first_infusion_id,
        max(case when coalesce(i.false_start, false) then 0 else 1 end) as ran
    from continuation_chains as k
    inner join infusions as i
        on k.infusion_id = i.infusion_id
    group by k.first_infusion_id
),

rows_of_variants as (
    select
        'no_window' as variant,
        infusion_id,
        month,
        care_area,
        library_use
    from cut
    union all
    select
        'site_window' as variant,
        infusion_id,
        month,
        care_area,
        library_use
    from starts
    where counts_as = 'start' and can_log and month in (select month from window_months)
    union all
    select
        'long_window' as variant,
        s.infusion_id,
        s.month,
        s.care_area,
        s.library_use
    from chained as k
    inner join starts as s
        on k.first_infusion_id = s.infusion_id
    where
        k.ran = 1 and s.counts_as in ('start', 'false_start') and s.can_log
        and s.month in (select month from window_months)
)

select
    r.variant,
    r.infusion_id,
    r.month,
    r.care_area,
    r.library_use,
    p.protected
from rows_of_variants as r
left join infusion_protection as p
    on r.infusion_id = p.infusion_id
