"""Mutated records through the whole ingest: the balance holds for every file, and nothing crashes."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.event_samples import drop, rows
from tests.faults import hostile
from tests.faults.mutations import DOCUMENTS, files

from dripledger.events import IngestResult, ingest
from dripledger.events.quarantine import retry
from dripledger.site import load_site
from dripledger.store import is_sound, verify_store


def tried(root: Path, seed: int, count: int) -> IngestResult:
    """Ingest so many mutated records of every shape; check the balance, file by file and in total."""
    site = hostile.make(root)
    written = {}
    for form, data, number in files(seed, count):
        drop(site, form.name, data)
        written[form.name] = number
    result = ingest(load_site(root))
    assert [str(failure) for failure in result.failures] == []
    assert result.balanced
    for file in result.files:
        if file.path in DOCUMENTS:
            assert file.rows_read == written[file.path]
        told = (file.events_kept, file.duplicates, file.quarantined, file.rows_ignored)
        assert sum(told) == file.rows_read
    read, kept, waiting = result.total("rows_read"), result.total("events_kept"), result.total("quarantined")
    # a damaged quote can join some lines, and a line more or less is no loss: it is counted on the bytes
    assert abs(read - count) < count / 10
    assert kept > count / 4, "nearly nothing is readable, so this shows little"
    assert waiting > count / 50
    assert rows(site, "select count(*) from quarantined") == [(waiting,)]
    assert (
        rows(site, "select count(distinct event_id), count(*) from events")[0]
        == (result.total("events"),) * 2
    )
    assert is_sound(verify_store(site.store))
    return result


@pytest.mark.slow
@pytest.mark.merge
def test_twenty_thousand_mutated_records(tmp_path: Path) -> None:
    tried(tmp_path, 11, 20_000)


def test_what_waits_waits_still_when_it_is_tried_again(tmp_path: Path) -> None:
    first = tried(tmp_path, 12, 2_000)
    again = retry(load_site(tmp_path))
    assert again.balanced
    assert (again.total("rows_read"), again.total("quarantined")) == (first.total("quarantined"),) * 2


@pytest.mark.slow
def test_a_million_mutated_records(tmp_path: Path) -> None:
    read = 0
    for part in range(10):
        result = tried(tmp_path / str(part), 1000 + part, 100_000)
        read += result.total("rows_read")
    print(f"{read} mutated records were read, and every one is accounted for")
    assert read > 900_000
