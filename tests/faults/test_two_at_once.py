"""Two and more at once: readers see one version and never wait; many ingests read each file once."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from tests.event_samples import HEADER, drop, make_site, read, rows
from tests.faults.harm import CHECKOUT, log, seen
from tests.marks import LONG

from dripledger.events import ingest
from dripledger.reports import folder
from dripledger.site import load_site
from dripledger.store import Ledger, is_sound, query, verify_store


def together(root: Path, count: int, files: int, wait_s: float) -> list[int]:
    """Let many processes read one inbox at the same time; return their exit codes."""
    site = make_site(root)
    for number in range(files):
        drop(site, f"wards{number}.csv", HEADER + log(f"P{number}", 1 + number % 27, 40))
    command = [sys.executable, "-m", "dripledger.cli", "ingest", "--wait", str(wait_s), "--site", str(root)]
    children = [
        subprocess.Popen(command, cwd=CHECKOUT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        for _ in range(count)
    ]
    told = [child.communicate(timeout=600)[1] for child in children]
    codes = [child.returncode for child in children]
    assert not [text for text in told if "Traceback" in text or "a defect" in text], told
    return codes


@pytest.mark.parametrize(
    ("count", "wait_s"),
    [
        pytest.param(4, 0, marks=LONG),
        pytest.param(20, 0, marks=pytest.mark.slow),
        pytest.param(20, 300, marks=pytest.mark.slow),
    ],
)
def test_many_read_one_inbox(tmp_path: Path, count: int, wait_s: float) -> None:
    codes = together(tmp_path / "many", count, 5, wait_s)
    # 4: a ninth of each log cannot be read, which is told by whoever read it
    assert set(codes) <= {0, 4, 6}
    assert codes.count(4) >= 1
    if wait_s:
        assert 6 not in codes
    site = load_site(tmp_path / "many")
    ledger = rows(site, "select path, count(*) from ingests group by path order by path")
    assert ledger == [(f"wards{number}.csv", 1) for number in range(5)]
    alone = make_site(tmp_path / "alone")
    for path in sorted(site.inbox.iterdir()):
        drop(alone, path.name, path.read_bytes())
    ingest(load_site(alone.root))
    for name in ("events", "quarantined", "infusions", "segments"):
        assert seen(site.root)[name] == seen(alone.root)[name], name
    assert is_sound(verify_store(site.store))


def test_readers_see_whole_versions_while_an_ingest_runs(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    drop(site, "wards0.csv", HEADER + log("P0", 1, 40))
    read(site)
    done = threading.Event()
    found: list[tuple[int, int, int]] = []
    trouble: list[BaseException] = []

    def look() -> None:
        try:
            while not done.is_set():
                snapshot = Ledger.open(site.store).snapshot()
                (told,) = query(
                    snapshot,
                    "select (select count(*) from events) as events, "
                    "(select cast(sum(events) as bigint) from ingests) as accounted",
                ).to_pylist()
                found.append((snapshot.version, told["events"], told["accounted"]))
        except BaseException as error:  # told in the test's own thread
            trouble.append(error)

    reader = threading.Thread(target=look)
    reader.start()
    try:
        for number in range(1, 5):
            drop(site, f"wards{number}.csv", HEADER + log(f"P{number}", 1 + number, 40))
            read(site)
    finally:
        done.set()
        reader.join(60)
    assert trouble == []
    assert len({version for version, _, _ in found}) > 1, "the reader saw no change, so this shows nothing"
    for version, events, accounted in found:
        assert events == accounted, f"half an ingest in version {version}"


@pytest.mark.slow
@pytest.mark.merge
def test_a_report_during_an_ingest_is_of_one_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An ingest commits after a report has opened the store and before it reads."""
    site = make_site(tmp_path)
    drop(site, "wards0.csv", HEADER + log("P0", 1, 40))
    ingest(load_site(tmp_path))
    alone = render(tmp_path)
    original = folder.render_files

    def meanwhile(*args: Any, **options: Any) -> Any:
        drop(site, "wards1.csv", HEADER + log("P1", 2, 400))
        assert ingest(load_site(tmp_path)).store_version == 2
        return original(*args, **options)

    monkeypatch.setattr(folder, "render_files", meanwhile)
    assert render(tmp_path) == alone
    monkeypatch.setattr(folder, "render_files", original)
    assert render(tmp_path) != alone


def render(root: Path) -> dict[str, bytes]:
    """Write the report of the month and return its files."""
    written = folder.write_report(load_site(root), "2026-10")
    return {
        str(path.relative_to(written)): path.read_bytes() for path in written.rglob("*") if path.is_file()
    }
