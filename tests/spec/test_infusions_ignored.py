"""Numbers of records that a rule ignores: seen, and no gap (ruling 22)."""

from __future__ import annotations

import pyarrow as pa
import pytest
from tests.spec.drawn import clock, connection_with, events_of

from dripledger.infusions import build
from dripledger.schema import TABLES
from dripledger.site import Thresholds

LOG = """
    at    | sequence | channel | kind             | rate_ml_h | library_use
    08:00 | 1        |         | powered_on       |           |
    08:01 | 2        | A       | infusion_started | 60        | bypassed
    10:00 | {last}        |         | powered_off      |           |
"""


def ignored(numbers: dict[int, str]) -> pa.Table:
    """Return the relation `ignored` with one record of the drawn pump at each number: number -> time."""
    rows = []
    for place, (number, time) in enumerate(numbers.items(), start=1):
        row = dict.fromkeys(TABLES["ignored"].names)
        row |= {
            "source_file_sha256": "f1", "source_name": "wards", "source_record": 100 + place, "ingest_id": "i1",
            "facility": "Linden", "pump_id": "P1", "sequence": number, "sequence_reliable": True,
            "device_time": clock(time).replace(tzinfo=None), "occurred_at": clock(time), "reason": "a sign of life",
            "month": "2026-03",
        }  # fmt: skip
        rows.append(row)
    return pa.Table.from_pylist(rows, schema=TABLES["ignored"].arrow_schema)


@pytest.mark.parametrize(
    ("last", "numbers", "stretches"),
    [
        # Number 3 was read and says nothing: the next event is the power-off, so it ran until then.
        (4, {3: "09:00"}, [("running", "08:01", "10:00")]),
        # Number 3 is nowhere: a power-off does not prove that it ran on.
        (4, {}, [("unknown", "08:01", "10:00")]),
        # Number 3 was read, number 4 is nowhere: the doubt begins at the last event before the hole.
        (5, {3: "09:00"}, [("unknown", "08:01", "10:00")]),
        # Nothing is missing, and what is ignored ends nothing: a later sign of life changes no hour.
        (3, {4: "11:00"}, [("running", "08:01", "10:00")]),
    ],
)
def test_ruling_22_what_a_rule_ignores_was_not_lost(last, numbers, stretches):
    """A number that an ignored record carries is seen and no gap; it proves and ends nothing."""
    con = connection_with(events_of(LOG.format(last=last)), {}, Thresholds())
    con.register("ignored_rows", ignored(numbers))
    con.execute("create temp view ignored as select * from ignored_rows")
    build(con)
    told = con.sql(
        "select state, strftime(started_at, '%H:%M'), strftime(ended_at, '%H:%M') from segments order by started_at"
    ).fetchall()
    assert told == stretches
    uncertain = con.sql("select uncertain from infusions").fetchall()
    assert uncertain == [(stretches[0][0] == "unknown",)]
