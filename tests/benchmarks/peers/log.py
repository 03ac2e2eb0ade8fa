"""A clean log: nothing late, doubled, missing or unreadable, so that a plain script can be right about it."""

from __future__ import annotations

from pathlib import Path

import duckdb

#: Three infusions a day and pump, an hour each, in the log's own hours: none crosses midnight.
_A_DAY = 3
_ROWS = 5
_PUMPS = 200

SITE = """format = 1
facility = "Harbour Hill"
time_zone = "UTC"
[care_areas.ICU]
[care_areas.Medical]
[care_areas.Labour]
"""
MAPPING = """pattern = ["*.csv"]
shape = "delimited"
records = ["all"]
sequence_reliable = true
[time]
zone = "site"
[fields]
pump_id = "pump"
device_time = "time"
sequence = "number"
kind = "event"
care_area = "area"
entry = "drug"
library_use = "use"
rate_ml_h = { field = "rate", unit = "mL/h" }
[kinds]
START = "infusion_started"
RATE = "rate_changed"
STOP = "infusion_stopped"
[values.library_use]
IN = "limited"
OUT = "bypassed"
"""


def write(path: Path, records: int) -> None:
    """Write about that many records, ordered by pump and time."""
    infusions = max(1, records // (_ROWS * _PUMPS))
    con = duckdb.connect()
    con.execute(
        f"""copy (
        select 'P' || lpad(p::varchar, 4, '0') as pump,
            strftime(timestamp '2026-01-01 01:00:00' + to_days(cast(i // {_A_DAY} as integer))
                + to_hours(7 * (i % {_A_DAY})) + to_minutes(15 * s), '%Y-%m-%d %H:%M:%S') as time,
            i * {_ROWS} + s + 1 as number,
            case s when 0 then 'START' when {_ROWS - 1} then 'STOP' else 'RATE' end as event,
            case when s = 0 then ['ICU', 'Medical', 'Labour'][p % 3 + 1] end as area,
            case when s = 0 then ['propofol', 'insulin', 'oxytocin'][i % 3 + 1] end as drug,
            case when s = 0 then case when hash(p * 1000 + i) % 7 = 0 then 'OUT' else 'IN' end end as use,
            case when s < {_ROWS - 1} then 5 + hash(p + i + s) % 100 end as rate
        from range({_PUMPS}) a(p), range({infusions}) b(i), range({_ROWS}) c(s) order by p, i, s
        ) to '{path}' (header, delimiter ',')"""
    )
    con.close()
