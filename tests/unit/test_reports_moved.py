"""Months that moved after they were final: which are compared, with which version, and which are not."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from tests.report_samples import STAMP, drawn
from tests.unit.test_reports_folder import SITE, commit

from dripledger.engine import connect
from dripledger.measures import STORE_TABLES, Month
from dripledger.reports.compose import build
from dripledger.reports.material import gather
from dripledger.reports.restated import Restated, restated_months
from dripledger.site import load_site
from dripledger.store import NOT_BUILT, Ledger

pytest.importorskip("jinja2", reason="the extra [report] is not installed")

MONTHS = ("2026-06", "2026-07", "2026-08", "2026-09", "2026-10")
PUMPS = "pump,type,in_service_from,in_service_to\n" + "".join(f"P{k},syringe,2026-01-01,\n" for k in range(3))


def heard(event: str, month: str, pump: str, ingest: str, file: str) -> dict[str, Any]:
    at = f"{month}-20 09:00:00"
    return {"event_id": event, "pump_id": pump, "month": month, "occurred_at": at, "device_time": at,
            "ingest_id": ingest, "source_file_sha256": file}  # fmt: skip


def read_in(ingest: str, file: str, day: str) -> dict[str, Any]:
    return {"ingest_id": ingest, "path": f"{file}.csv", "source_file_sha256": file,
            "ingested_at": f"2026-11-{day} 05:59:59"}  # fmt: skip


class Hospital:
    """A site whose months from June on are final with the first version; each step makes the next one."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.write("site.toml", SITE)
        self.write("pumps.csv", PUMPS)

    def write(self, name: str, text: str) -> None:
        (self.root / name).write_text(text, encoding="utf-8")

    def begin(self, note: str = "") -> None:
        rows = drawn(MONTHS, ("icu",), 24)
        rows["events"] = [
            heard(f"h{month}{k}", month, f"P{k}", "one", "f1") for month in MONTHS for k in range(3)
        ]
        rows["ingests"] = [read_in("one", "f1", "02")]
        commit(load_site(self.root), datetime(2026, 11, 2, 6, tzinfo=UTC), note=note, **rows)

    def again(self, day: int, **rows: Any) -> None:
        commit(load_site(self.root), datetime(2026, 11, day, 6, tzinfo=UTC), **rows)

    def late(self, month: str, day: int) -> None:
        """Bring six infusions of a month with a file of their own."""
        rows = drawn((month,), ("icu",), 6)
        rows.pop("alarms")
        for table in ("infusions", "segments", "programmings", "attempts"):
            for row in rows[table]:
                row.update({k: f"late-{v}" for k, v in row.items() if k.endswith("_id") and k[:4] in
                            ("infu", "prog", "atte") and v != "-"})  # fmt: skip
                row["channel"] = f"late{row['channel']}"
        rows["events"] = [heard(f"l{month}", month, "P0", f"late{day}", f"late{month}")]
        rows["ingests"] = [read_in(f"late{day}", f"late{month}", f"{day:02}")]
        self.again(day, **rows)

    def restated(self) -> dict[str, Restated]:
        site, month = load_site(self.root), Month(2026, 10)
        snapshot = Ledger.open(site.store).snapshot()
        con = connect()
        try:
            snapshot.attach(con, STORE_TABLES)
            material = gather(con, site, month, STAMP, build(con, site, month))
            return {one.month: one for one in restated_months(material, snapshot)}
        finally:
            con.close()


@pytest.fixture
def hospital(tmp_path: Path) -> Iterator[Hospital]:
    yield Hospital(tmp_path)
    shutil.rmtree(tmp_path)


def told(one: Restated, measure: str) -> list[tuple[Any, ...]]:
    return [
        (old["numerator"], old["denominator"], new["numerator"], new["denominator"])
        for name, area, old, new in one.differs
        if (name, area) == (measure, "")
    ]


def test_an_old_month_with_a_late_file_is_compared_though_something_was_declared_anew(
    hospital: Hospital,
) -> None:
    """What was declared moved no figure of the three newer months; it must not take the late one's place."""
    hospital.begin()
    hospital.write("entries.csv", "entry,high_alert\nheparin,yes\n")
    hospital.late("2026-06", 20)
    found = hospital.restated()
    assert list(found) == ["2026-06"]
    assert told(found["2026-06"], "library_use_starts") == [(20, 24, 25, 30)]
    assert [name.partition(" (")[0] for name in found["2026-06"].declared] == ["entries.csv"]


@pytest.mark.slow
@pytest.mark.merge
def test_of_many_months_with_late_files_the_oldest_are_named_alone(hospital: Hospital) -> None:
    hospital.begin()
    for day, month in enumerate(MONTHS[:4], start=10):
        hospital.late(month, day)
    found = hospital.restated()
    assert sorted(found) == list(MONTHS[:4])
    assert [bool(found[month].differs) for month in MONTHS[:4]] == [False, True, True, True]
    assert found["2026-06"].untold == "Its figures were not compared."


def test_a_month_that_a_new_list_of_pumps_makes_provisional_was_published_all_the_same(
    hospital: Hospital,
) -> None:
    hospital.begin()
    hospital.write("pumps.csv", PUMPS + "P9,syringe,2026-01-01,\n")
    hospital.again(20)
    found = hospital.restated()
    assert found["2026-09"].version == 1
    assert told(found["2026-09"], "fleet_coverage") == [(3, 3, 3, 4)]


def test_a_month_that_was_not_final_then_is_not_called_published(hospital: Hospital) -> None:
    """The pump that was never heard was taken out later: only now is September final."""
    hospital.write("pumps.csv", PUMPS + "P9,syringe,2026-01-01,\n")
    hospital.begin()
    hospital.write("pumps.csv", PUMPS)
    hospital.again(20)
    assert "2026-09" not in hospital.restated()


@pytest.mark.slow
@pytest.mark.merge
def test_a_version_whose_infusions_were_not_built_published_nothing(hospital: Hospital) -> None:
    hospital.begin(NOT_BUILT)
    hospital.again(3)
    hospital.write("pumps.csv", PUMPS + "P9,syringe,2026-01-01,2026-09-20\n")
    hospital.again(20)
    assert hospital.restated()["2026-09"].version == 2


@pytest.mark.slow
@pytest.mark.merge
def test_what_the_store_no_longer_holds_stops_no_report(hospital: Hospital) -> None:
    hospital.begin()
    hospital.write("pumps.csv", PUMPS + "P9,syringe,2026-01-01,2026-01-31\n")
    hospital.late("2026-08", 20)
    first = Ledger.open(load_site(hospital.root).store).snapshot("1")
    assert first.row is not None
    (first.root / "declarations" / first.row.declarations["pumps.csv"]).unlink()
    found = hospital.restated()
    assert list(found) == ["2026-08"]
    assert "cannot be worked out" in found["2026-08"].untold
