"""Heartbeats that are numbered and ignored: no number is missing, and nothing else changes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.functional.conftest import CommandLine

MAPPING = """
pattern = ["*.csv"]
shape = "delimited"
records = ["all"]
sequence_reliable = true

[time]
format = "iso"
zone = "site"

[fields]
pump_id = "Pump"
channel = "Line"
device_time = "At"
sequence = "No"
kind = "What"
rate_ml_h = { field = "Flow", unit = "mL/h" }
library_use = { value = "limited" }

[kinds]
BEGIN = "infusion_started"
END = "infusion_stopped"
HERE = { ignore = "sign of life, carries no event" }
"""
HEAD = "Pump,Line,At,No,What,Flow\n"
LOG = (
    HEAD + "P-1,A,2026-10-01T08:00:00,1,BEGIN,10\n"
    "P-1,,2026-10-01T08:10:00,2,HERE,\n"
    "P-1,,2026-10-01T08:20:00,3,HERE,\n"
    "P-1,A,2026-10-01T08:30:00,4,END,\n"
    "P-1,,2026-10-01T08:40:00,5,HERE,\n"
    "P-1,A,2026-10-01T12:00:00,6,BEGIN,10\n"
    "P-1,A,2026-10-01T13:00:00,7,END,\n"
)


@pytest.mark.slow
@pytest.mark.merge
def test_no_number_is_missing(cli: CommandLine, site: Path) -> None:
    (site / "sources" / "plain.toml").unlink()
    (site / "sources" / "wards.toml").write_text(MAPPING, encoding="utf-8")
    (site / "inbox" / "october.csv").write_text(LOG, encoding="utf-8")

    told = cli.ok("ingest", "--site", site, "--json").json
    counts = ("rows_read", "events_kept", "rows_ignored", "quarantined", "duplicates", "events")
    assert told["balanced"] is True
    assert [told[name] for name in counts] == [7, 4, 3, 0, 0, 4]
    assert [cli.ok("balance", "--site", site, "--json").json[name] for name in counts] == [7, 4, 3, 0, 0, 4]

    (found,) = [
        row
        for row in cli.ok("measures", "--site", site, "--month", "2026-10", "--json").json
        if row["measure"] == "log_completeness"
    ]
    assert (float(found["numerator"]), float(found["denominator"]), found["value"]) == (7, 7, 1.0)

    # an overlapping export counts nothing twice
    (site / "inbox" / "more.csv").write_text(
        HEAD + LOG.split("\n", 4)[4] + "P-1,,2026-10-01T13:10:00,8,HERE,\n", encoding="utf-8"
    )
    told = cli.ok("ingest", "--site", site, "--json").json
    assert [told[name] for name in counts] == [5, 0, 2, 0, 3, 0]
    numbers = cli.ok(
        "query", "--site", site, "--json", "select sequence, reason from ignored order by all"
    ).json
    assert [row["sequence"] for row in numbers] == [2, 3, 5, 8]
    assert {row["reason"] for row in numbers} == {"sign of life, carries no event"}
    assert cli.ok("status", "--site", site, "--json").json["rows"]["ignored"] == 4
    cli.ok("verify", site)
