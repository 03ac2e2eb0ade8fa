-- title: The limits that hold for what an attempt ended with
-- grain: one limit (kind, side, quantity) of one attempt
-- needs: attempt_sessions
-- why: the limit of an entry or care area that was given up, and an older limit, holds no longer (ruling 34)
select
    r.watch_no, r.session, r.place, r.limit_kind, r.limit_side, r.limit_quantity, r.quantity,
    r.limit_value, r.limit_unit
from attempt_rows as r
inner join attempt_frames as f
    on r.watch_no = f.watch_no and r.session = f.session
where
    r.kind not in ('attempt_cancelled', 'library_bypassed')
    -- a key row without a limit brings none of its own
    and (r.counts or not r.is_decision_kind or r.limit_value is not null)
    and coalesce(r.entry = f.entry, true)
    and coalesce(r.care_area = f.values_after.care_area, true)
qualify
    row_number() over (
        partition by r.watch_no, r.session, r.limit_kind, r.limit_side, r.limit_quantity
        order by r.place desc
    ) = 1
