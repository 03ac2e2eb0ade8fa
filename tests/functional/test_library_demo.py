"""What was planted in the invented hospital is what the drug library's questions find."""

from __future__ import annotations

import csv
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest

from dripledger.cli import main
from dripledger.engine import connect
from dripledger.events.ingest import ingest
from dripledger.hospital import generate
from dripledger.library.attention import attention
from dripledger.library.relations import Span, build, prepare
from dripledger.library.replay import replay
from dripledger.library.uptake import uptake
from dripledger.library.versions import libraries_on_file
from dripledger.site import Site, load_site
from dripledger.statistics import clustered_rate, clustered_ratio
from dripledger.store import Ledger
from tests.marks import LONG

pytestmark = LONG  # the same questions of small drawn logs: spec/test_library_*.py


@dataclass(frozen=True)
class Hospital:
    """A hospital after its logs were read, and a connection in which its library can be asked."""

    site: Site
    con: duckdb.DuckDBPyConnection
    planted: list[dict[str, str]]

    def plants(self, item: str) -> list[dict[str, str]]:
        found = [row for row in self.planted if row["item"] == item]
        assert found, f"{item} is not planted"
        return found


@pytest.fixture(scope="module")
def hospital(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hospital]:
    root = tmp_path_factory.mktemp("library demo") / "hospital"
    generate(root, pumps=10, months=5, seed=21)
    site = load_site(root)
    ingest(site, [])
    with (root / "truth" / "planted.csv").open(encoding="utf-8", newline="") as file:
        planted = list(csv.DictReader(file))
    con = connect(threads=2)
    everything = Span(datetime(2020, 1, 1, tzinfo=UTC), datetime(2030, 1, 1, tzinfo=UTC), "all")
    prepare(con, site, Ledger.open(site.store).snapshot(), everything)
    yield Hospital(site, con, planted)
    con.close()


@pytest.fixture(scope="module")
def lists(hospital: Hospital) -> dict[str, list[dict[str, Any]]]:
    rows = libraries_on_file(hospital.site)[-1].rows
    return {name: table.to_pylist() for name, table in attention(hospital.con, hospital.site, rows).items()}


def test_every_logged_alert_is_counted_once(hospital: Hospital) -> None:
    """Alerts are found among the events; the attempts count them too."""
    build(hospital.con, "library_alerts")
    (row,) = hospital.con.execute(
        "select (select count(*) from library_alerts), (select sum(alerts) from library_attempts)"
    ).fetchall()
    assert row[0] == row[1] > 50


def test_replaying_what_was_in_force_gives_back_the_log(hospital: Hospital) -> None:
    """On a damaged log too: no alert on dose or flow falls away or is new.

    What cannot be compared says why: a concentration that nobody confirmed, a label that nobody filed. The
    invented pumps never warn of a volume, nor of a rate that a planted fault set.
    """
    rows = [row for library in libraries_on_file(hospital.site) for row in library.rows]
    found = replay(hospital.con, rows, by_version=True).compared.to_pylist()
    faults = {(row["pump"], datetime.fromisoformat(row["from_local"])) for row in hospital.planted}
    played = [
        row
        for row in found
        if row["limit_quantity"] != "volume" and (row["pump_id"], row["happened_at"]) not in faults
    ]
    assert {row["change"] for row in played} == {"stays", "nothing", "not_comparable"}
    alerts = [row for row in found if row["origin"] == "alert"]
    stays = [row for row in alerts if row["change"] == "stays"]
    assert len(stays) > 0.9 * len(alerts)
    assert {(row["logged_kind"], row["logged_side"]) for row in stays} == {
        tuple(row["verdict"].split()) for row in stays
    }


def test_the_noisy_limit_leads_the_list_and_its_release_quiets_it(
    hospital: Hospital, lists: dict[str, list[dict[str, Any]]]
) -> None:
    (plant,) = hospital.plants("noisy_limit_quieted")
    entry, version = plant["what"].split(":")[0], plant["what"].split("release ")[1].split()[0]
    effect = uptake(hospital.con, hospital.site, libraries_on_file(hospital.site))["effect"].to_pylist()
    changed = [row for row in effect if row["entry"] == entry and row["new_version"] == version]
    assert all("soft_high loosened" in row["changes"] for row in changed)
    # all areas together: fewer alerts for as many uses once the release is there
    sums = {name: sum(row[name] for row in changed) for name in
            ("uses_before", "alerts_before", "uses_after", "alerts_after")}  # fmt: skip
    assert sums["alerts_before"] / sums["uses_before"] > 2 * sums["alerts_after"] / sums["uses_after"]
    assert entry in [row["entry"] for row in lists["pareto"][:3]]
    told = [row for row in changed if row["alert_rate_ratio_high95"] is not None]
    assert told, "no area had uses enough on both sides"
    for row in told:
        before, after = row["alerts_per_100_uses_before"], row["alerts_per_100_uses_after"]
        assert row["alert_rate_ratio"] == pytest.approx(after / before)
        assert row["alert_rate_ratio_low95"] <= row["alert_rate_ratio"] <= row["alert_rate_ratio_high95"]
    # an area of so small a hospital has few alerts: fewer in each, and beyond chance in all together
    assert all(row["alert_rate_ratio"] < 1 for row in told)
    rates = []
    for when in ("new_version", "old_version"):
        alerts, uses = zip(*hospital.con.execute(
            "select limit_alerts, uses from uptake_clusters where entry = ? and library_version = ?",
            [entry, changed[0][when]],
        ).fetchall(), strict=True)  # fmt: skip
        rates.append(clustered_rate(alerts, uses, range(len(uses))))
    assert clustered_ratio(rates[0], rates[1])[2] < 1


def _on_the_day(rows: list[dict[str, Any]], plant: dict[str, str]) -> list[dict[str, Any]]:
    return [row for row in rows if (row["pump_id"], str(row["happened_on"])) ==
            (plant["pump"], plant["from_local"][:10])]  # fmt: skip


def test_the_tenfold_pair_and_the_one_who_left_are_listed(
    hospital: Hospital, lists: dict[str, list[dict[str, Any]]]
) -> None:
    for item, what in (
        ("tenfold_brought_inside", "brought_within_from_tenfold"),
        ("tenfold_overridden", "far_override"),
        ("left_library_after_warning", "left_library"),
    ):
        for plant in hospital.plants(item):
            cases = [case for case in _on_the_day(lists["cases"], plant) if case["what"] == what]
            assert cases, f"{item} on {plant['pump']} is not listed"
            assert all(case["source_record"] is not None for case in cases)
    for plant in hospital.plants("tenfold_brought_inside"):
        assert [slip["ratio"] for slip in _on_the_day(lists["slips"], plant)] == [10.0]


def test_weights_in_pounds_are_listed_as_overrides_of_a_weight_limit(
    hospital: Hospital, lists: dict[str, list[dict[str, Any]]]
) -> None:
    limits = [row for row in lists["limits"] if row["limit_quantity"] == "weight"]
    assert sum(row["overridden"] for row in limits) == len(hospital.plants("weight_in_pounds"))


def test_no_list_holds_a_clock_time(lists: dict[str, list[dict[str, Any]]]) -> None:
    for rows in lists.values():
        assert not any(isinstance(value, datetime) for row in rows for value in row.values())


def test_the_curve_that_the_readme_asks_of_the_demo_is_there(
    hospital: Hospital, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    (line,) = re.findall(r"^# in the demo's folder.*\ndripledger (library replay .*)$", text, re.MULTILINE)
    monkeypatch.chdir(tmp_path)
    assert main([*shlex.split(line), "--site", str(hospital.site.root)]) == 0
    told = capsys.readouterr()
    assert len(list(csv.DictReader(told.out.splitlines()))) > 2
    assert "Of Heparin in Birch Cardiac Intensive Care" in told.err
    assert (tmp_path / "curve.svg").is_file()
