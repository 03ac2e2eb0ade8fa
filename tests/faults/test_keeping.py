"""What is kept: every version that a report can name, a copy taken during an ingest, tables of others."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from deltalake import DeltaTable
from tests.event_samples import HEADER, drop, make_site
from tests.faults.harm import log, seen
from tests.marks import LONG
from tests.store_samples import commit_events, count, fetch

from dripledger.cli import main
from dripledger.errors import VerificationError
from dripledger.events import ingest
from dripledger.site import Site, load_site
from dripledger.store import Ledger, is_sound, verify_originals, verify_store, writer
from dripledger.store.layout import FORMAT

#: How a site is copied so that whatever is written meanwhile does no harm: the README says the same.
ORDER = ("store/commits/_delta_log", "store", "originals", "sources", "libraries", "reports")


@pytest.fixture(scope="module")
def read_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site that has read one small log: made once, copied for each test."""
    site = make_site(tmp_path_factory.mktemp("read once"))
    drop(site, "wards.csv", HEADER + log("P0", 1, 30))
    ingest(load_site(site.root))
    return site.root


def copy_of(read_once: Path, root: Path) -> Site:
    """Copy the site; the modes of its files come along."""
    shutil.copytree(read_once, root, dirs_exist_ok=True)
    return load_site(root)


def test_putting_files_together_keeps_every_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "_GATHER_EVERY", 5)
    root = tmp_path / "store"
    for number in range(16):
        commit_events(root, [number])
    ledger = Ledger.open(root)
    files = [set(ledger.snapshot(str(version)).files("events")) for version in range(1, 17)]
    assert len(files[15]) < 8, "nothing was put together, so this shows nothing"
    for version in range(1, 17):
        snapshot = ledger.snapshot(str(version))
        assert count(snapshot) == version
        assert all(Path(file).is_file() for file in snapshot.files("events"))
        assert fetch(snapshot, "select max(version) from commits") == [(version,)]
    assert is_sound(verify_store(root))


def backup(root: Path, target: Path, order: tuple[str, ...], pumps: list[str]) -> None:
    """Copy a site step by step; after each, an ingest commits another version, as long as there are pumps."""
    target.mkdir()
    for name in order:
        kept = {Path(later) for later in order if later != name and Path(name) in Path(later).parents}

        def left(folder: str, names: list[str], kept: set[Path] = kept) -> list[str]:
            return [n for n in names if n == "spill" or (Path(folder) / n).relative_to(root) in kept]

        if (root / name).exists():
            shutil.copytree(root / name, target / name, ignore=left, dirs_exist_ok=True)
        if pumps:
            drop(load_site(root), f"wards_{len(pumps)}.csv", HEADER + log(pumps.pop(), 5, 30))
            assert ingest(load_site(root)).balanced
    shutil.copy2(root / "site.toml", target)
    (target / "inbox").mkdir()


def wrong_with(root: Path) -> list[str]:
    """Return what is wrong with a store, but that an ingest was at work, which the next one mends."""
    return [str(f) for f in verify_store(root) if f.level == "error" and "interrupted write" not in f.what]


@pytest.mark.parametrize("count", [1, pytest.param(2, marks=LONG), pytest.param(3, marks=LONG)])
def test_a_copy_taken_while_ingests_run_is_whole(tmp_path: Path, read_once: Path, count: int) -> None:
    site = copy_of(read_once, tmp_path / "site")
    begun = seen(site.root)
    backup(site.root, tmp_path / "copy", ORDER, [f"P{n}" for n in range(1, count + 1)])
    copy = load_site(tmp_path / "copy")
    assert seen(copy.root)["version"] == 1
    assert seen(copy.root)["events"] == begun["events"]
    assert wrong_with(copy.store) == []
    assert is_sound(verify_originals(copy.store, copy.originals))
    # what came meanwhile is read from the inbox as if the ingests had never been
    for path in sorted(site.inbox.iterdir()):
        drop(copy, path.name, path.read_bytes())
    ingest(copy)
    assert is_sound(verify_store(copy.store))
    assert seen(copy.root)["events"] == seen(site.root)["events"]


def test_a_copy_with_commits_last_is_found_out(tmp_path: Path, read_once: Path) -> None:
    """What the order is for: the newest commit names files that such a copy lacks, and `verify` says so."""
    site = copy_of(read_once, tmp_path / "site")
    backup(site.root, tmp_path / "copy", ("store", "store/commits"), ["P1"])
    assert any("is missing" in error for error in wrong_with(tmp_path / "copy" / "store"))


def mark(folder: Path, feature: str) -> None:
    """Make a table as another engine leaves it that marks rows as deleted."""
    version = DeltaTable(folder).version()
    features = [feature, "timestampNtz"]
    numbers = {"minReaderVersion": 3, "minWriterVersion": 7}
    protocol = {"protocol": {**numbers, "readerFeatures": features, "writerFeatures": features}}
    path = folder / "_delta_log" / f"{version + 1:020}.json"
    path.write_text(json.dumps(protocol) + "\n", encoding="utf-8")


@pytest.mark.parametrize("table", ["events", "commits"])
def test_tables_with_deletion_vectors_are_refused(
    tmp_path: Path, read_once: Path, table: str, capsys: pytest.CaptureFixture[str]
) -> None:
    site = copy_of(read_once, tmp_path)
    mark(site.store / table, "deletionVectors")
    told = r"deletionVectors: rows can be marked as deleted"
    with pytest.raises(VerificationError, match=told), Ledger.open(site.store).write():
        pass
    assert main(["ingest", "--site", str(tmp_path)]) == 5
    assert main(["verify", str(site.store)]) == 5
    err = capsys.readouterr().err
    assert "another engine" in err
    assert "Traceback" not in err


def test_a_store_of_this_format_is_left_alone_and_a_newer_one_refused(
    tmp_path: Path, read_once: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Format 1 is the first; when there is a second, a store of the first belongs beside this test."""
    assert FORMAT == 1
    site = copy_of(read_once, tmp_path)
    before = seen(tmp_path)
    assert main(["upgrade", "--site", str(tmp_path)]) == 0
    assert seen(tmp_path) == before
    (site.store / "format.json").write_text('{"format": 2}\n', encoding="utf-8")
    for command in ("upgrade", "ingest", "status", "balance"):
        assert main([command, "--site", str(tmp_path)]) == 2
        assert "has format 2" in capsys.readouterr().err


def test_originals_and_store_are_for_the_owner_alone(tmp_path: Path, read_once: Path) -> None:
    site = copy_of(read_once, tmp_path)
    main(["report", "--month", "2026-10", "--site", str(tmp_path)])
    for folder in (site.store, site.originals, site.reports):
        paths = [folder, *folder.rglob("*")]
        assert len(paths) > 2
        open_to_others = [str(path) for path in paths if path.stat().st_mode & 0o077]
        assert open_to_others == []
    assert is_sound(verify_originals(site.store, site.originals))
