"""Undo on the command line: what was read wrongly is read again, and what changed by it is printed."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from pathlib import Path

import pytest

from tests.functional.conftest import HEADER, TWO_INFUSIONS, CommandLine, infusion

OTHER = HEADER + infusion("P-7", "2026-10-05T08:00:00", "2026-10-05T10:00:00", 1)
ALERTS = """
pattern = ["*.csv"]
shape = "delimited"
records = ["all"]
sequence_reliable = true
[time]
zone = "site"
[fields]
pump_id = "Pump"
channel = { value = "A" }
device_time = "When"
sequence = "No"
kind = "What"
entry = "Drug"
library_use = { value = "limited" }
rate_ml_h = { field = "Rate", unit = "mL/h" }
limit_kind = "Limit"
limit_side = { value = "high" }
limit_quantity = { value = "rate" }
limit_value = { field = "Bound", unit = "mL/h" }
entered_value = { field = "Rate", unit = "mL/h" }
[kinds]
WARN = "limit_alerted"
YES = "limit_overridden"
RUN = "infusion_started"
END = "infusion_stopped"
"""
WARNED = (
    "Pump,When,No,What,Drug,Rate,Limit,Bound\n"
    "P-1,2026-10-01T08:00:00,1,WARN,morphine,12,soft,10\n"
    "P-1,2026-10-01T08:00:05,2,YES,morphine,12,soft,10\n"
    "P-1,2026-10-01T08:00:06,3,RUN,morphine,12,,\n"
    "P-1,2026-10-01T09:00:00,4,END,,,,\n"
)


def _balance(cli: CommandLine, site: Path) -> dict[str, int]:
    return cli.ok("balance", "--site", site, "--json").json  # type: ignore[no-any-return]


@pytest.mark.slow
@pytest.mark.merge
def test_redo_prints_figures_and_cases(cli: CommandLine, site: Path) -> None:
    mapping = site / "sources" / "plain.toml"
    mapping.write_text(ALERTS.replace('YES = "limit_overridden"', 'YES = "attempt_cancelled"'), "utf-8")
    (site / "inbox" / "log.csv").write_text(WARNED, encoding="utf-8")
    cli.ok("ingest", "--site", site)
    mapping.write_text(ALERTS, encoding="utf-8")
    done = cli.ok("ingest", "--redo", "plain", "--site", site, "--json")
    assert done.json["balanced"]
    assert done.json["store_version"] == 2
    (case,) = done.json["cases_changed"]
    assert (case["month"], case["after"]) == ("2026-10", "overridden")
    assert case["before"] not in (None, "overridden")
    figures = {row["measure"]: (row["before"], row["after"]) for row in done.json["figures_changed"]}
    assert figures["override_share"] == ("0 / 1 (small)", "1 / 1 (small)")
    assert "1 event is new, gone or different." in done.err
    assert "--as-of 1 reads the store as it was." in done.err
    old = cli.ok("query", "select outcome from attempts", "--as-of", "1", "--site", site, "--json").json
    assert old == [{"outcome": case["before"]}]
    again = cli.ok("ingest", "--redo", "plain", "--site", site, "--format", "csv")
    assert "nothing changed: no new version was made." in again.err
    assert list(csv.reader(io.StringIO(again.out))) == [["what", "month", "name", "before", "after"]]


@pytest.mark.slow
@pytest.mark.merge
def test_forget_another_hospitals_file(cli: CommandLine, filled: Path) -> None:
    (filled / "inbox" / "foreign.csv").write_text(OTHER, encoding="utf-8")
    cli.ok("ingest", "--site", filled)
    sha = hashlib.sha256(OTHER.encode()).hexdigest()
    done = cli.ok("ingest", "--forget", sha, "--site", filled, "--format", "csv")
    assert "foreign.csv: forgotten; its 2 records count as ignored" in done.err
    changed = {row["name"]: row for row in csv.DictReader(io.StringIO(done.out))}
    assert (changed["library_use_starts"]["before"], changed["library_use_starts"]["after"]) == (
        "2 / 3 (small)",
        "1 / 2 (small)",
    )
    told = _balance(cli, filled)
    assert told["balanced"]
    assert [
        (f["path"], f.get("forgotten", False), f["rows_ignored"], f["events"]) for f in told["files"]
    ] == [
        ("foreign.csv", True, 2, 0),
        ("october.csv", False, 0, 4),
    ]
    cli.ok("verify", filled)
    count = "select count(*) as n from events where pump_id = 'P-7'"
    assert cli.ok("query", count, "--site", filled, "--json").json == [{"n": 0}]
    assert cli.ok("query", count, "--as-of", "2", "--site", filled, "--json").json == [{"n": 2}]
    assert json.loads(cli.ok("ingest", "--site", filled, "--json").out)["ingest_id"] is None


def test_undo_refuses_what_it_cannot_do(cli: CommandLine, filled: Path) -> None:
    for options, words in (
        (["--redo", "plane"], ["there is no source 'plane'", "The mappings are: plain"]),
        (["--redo", "plain", "--forget", "0" * 64], ["two ways to undo"]),
        (["--redo", "plain", "x.csv"], ["from originals/"]),
        (["--forget", "f" * 64], ["no file with this SHA-256 was read"]),
        (["--forget", "foreign.csv"], ["'foreign.csv' is no SHA-256"]),
    ):
        cli("ingest", *options, "--site", filled).refused(2, *words)


def test_redo_without_an_original_changes_nothing(cli: CommandLine, filled: Path) -> None:
    sha = hashlib.sha256(TWO_INFUSIONS.encode()).hexdigest()
    for path in (filled / "originals").glob(f"{sha}*"):
        path.unlink()
    before = _balance(cli, filled)
    cli("ingest", "--redo", "plain", "--site", filled).refused(3, sha, "is missing", "Restore it")
    assert _balance(cli, filled) == before


def test_clocks_estimate_writes_nothing(cli: CommandLine, site: Path) -> None:
    lines = "".join(
        f"P-1,A,2026-10-{d:02d}T08:47:00,2026-10-{d:02d}T07:00:0{d % 5},{d},volume_reported\n"
        for d in range(1, 25)
    )
    (site / "sources" / "plain.toml").write_text(
        (site / "sources" / "plain.toml").read_text() + 'received_zone = "UTC"\n', encoding="utf-8"
    )
    (site / "inbox" / "log.csv").write_text(
        "pump_id,channel,device_time,received_at,sequence,kind\n" + lines, encoding="utf-8"
    )
    cli.ok("ingest", "--site", site)
    before = sorted(p.name for p in site.iterdir())
    done = cli.ok("clocks", "estimate", "--site", site, "--format", "csv")
    (row,) = csv.DictReader(io.StringIO(done.out))
    assert list(row)[:3] == ["pump", "from", "offset_s"]
    assert (row["pump"], row["from"], row["propose"]) == ("P-1", "", "true")
    assert abs(float(row["offset_s"]) - 2820) < 6
    assert "1 row is proposed; nothing was written" in done.err
    assert sorted(p.name for p in site.iterdir()) == before
    cli("clocks", "guess", "--site", site).refused(2, "'guess'", "estimate")
