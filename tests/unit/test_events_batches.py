"""The same elements in other batches are the same events."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.event_samples import LINEAGE, drop, make_site, read, rows

NESTED = """
pattern = ["*.jsonl"]
shape = "json_lines"
records = ["all"]
[json_lines]
each = "entries"
[time]
zone = "UTC"
[fields]
pump_id = "pump"
device_time = "item.at"
kind = "item.what"
{numbered}
[kinds]
START = "infusion_started"
STOP = "infusion_stopped"
SWITCH = ["library_bypassed", "infusion_started"]
"""
ITEMS = [
    {"at": "2026-10-01T10:00:00", "n": 1, "what": "START"},
    {"at": "2026-10-01T11:00:00", "n": 2, "what": "STOP"},
    {"at": "2026-10-01T11:00:00", "n": 3, "what": "SWITCH"},
]


def _batches(*batches: list[dict[str, object]]) -> str:
    return "".join(json.dumps({"pump": "P1", "entries": batch}) + "\n" for batch in batches)


@pytest.mark.parametrize(
    "numbered",
    ['sequence = "item.n"', 'record_id = "item.n"', '[identity]\nfields = ["pump", "item.n"]', ""],
    ids=["sequence", "record_id", "identity", "no number"],
)
def test_a_batch_is_no_part_of_an_identity(tmp_path: Path, numbered: str) -> None:
    sites = []
    for name, batches in (("whole", [ITEMS]), ("split", [[ITEMS[1], ITEMS[0]], [ITEMS[2]]])):
        sites.append(make_site(tmp_path / name, {"nested": NESTED.format(numbered=numbered)}))
        drop(sites[-1], "a.jsonl", _batches(*batches))
        assert read(sites[-1]).total("events") == 4
    every = f"select * exclude ({', '.join(LINEAGE)}) from events order by event_id"
    assert rows(sites[0], every) == rows(sites[1], every)
    drop(sites[0], "b.jsonl", _batches(ITEMS[1:], [ITEMS[0]]))
    again = read(sites[0])
    assert (again.total("events"), again.total("duplicates"), again.total("quarantined")) == (0, 2, 0)


def test_an_element_twice_in_one_record_is_one_event(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"nested": NESTED.format(numbered='sequence = "item.n"')})
    drop(site, "a.jsonl", _batches([ITEMS[1], ITEMS[1]]))
    result = read(site)
    assert (result.total("events"), result.total("events_kept")) == (1, 1)


def test_without_number_elements_that_are_alike_are_counted(tmp_path: Path) -> None:
    site = make_site(tmp_path, {"nested": NESTED.format(numbered="")})
    drop(site, "a.jsonl", _batches([ITEMS[0], ITEMS[0]]))
    assert read(site).total("events") == 2
    drop(site, "b.jsonl", _batches([ITEMS[0]], [ITEMS[1], ITEMS[0]]))
    again = read(site)
    assert (again.total("events"), again.total("duplicates"), again.total("quarantined")) == (1, 1, 0)
