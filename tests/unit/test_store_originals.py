"""Originals beside a store: each is there and unpacks to the bytes that its name says."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
import zstandard
from tests.store_samples import balanced

from dripledger.store import Ledger, verify_originals

# two frames, as for a header and its records
HEAD, BODY = b"pump_id,kind\n", b"P-1,powered_on\n" * 500


@pytest.fixture
def site(tmp_path: Path) -> Path:
    sha = _keep(tmp_path / "originals", HEAD, BODY)
    with Ledger.open_or_create(tmp_path / "store").write() as writer:
        writer.append("ingests", balanced("wards/a.csv", source_file_sha256=sha))
        writer.commit(ingest_id="i", declarations=[])
    return tmp_path


def _keep(folder: Path, *frames: bytes) -> str:
    folder.mkdir(exist_ok=True)
    content = b"".join(frames)
    sha = hashlib.sha256(content).hexdigest()
    path = folder / f"{sha}_{len(content)}.zst"
    path.write_bytes(b"".join(zstandard.ZstdCompressor().compress(frame) for frame in frames))
    path.with_suffix(".json").write_text('{"records": 500, "frames": []}', encoding="utf-8")
    return sha


def _told(site: Path) -> list[tuple[str, str]]:
    return [(item.level, item.what) for item in verify_originals(site / "store", site / "originals")]


def _original(site: Path) -> Path:
    return next((site / "originals").glob("*.zst"))


def test_whole_originals_are_sound(site: Path) -> None:
    assert _told(site) == []


def test_a_missing_original_is_named_by_the_file_that_was_read(site: Path) -> None:
    _original(site).unlink()
    assert _told(site) == [("error", "the original of wards/a.csv is missing")]


def test_a_missing_folder_is_missing_originals(site: Path) -> None:
    (site / "originals").rename(site / "elsewhere")
    assert _told(site) == [("error", "the original of wards/a.csv is missing")]


def test_flipped_bytes_are_found(site: Path) -> None:
    path = _original(site)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(data)
    [(level, what)] = _told(site)
    assert level == "error"
    assert what.startswith("the original of wards/a.csv is damaged")


def test_another_content_under_the_same_name_is_found(site: Path) -> None:
    other = HEAD + BODY.replace(b"P-1", b"P-2")
    _original(site).write_bytes(zstandard.ZstdCompressor().compress(other))
    assert _told(site) == [
        ("error", "the original of wards/a.csv is damaged: its content is not what was read")
    ]


def test_a_file_cut_at_the_end_of_a_frame_is_found(site: Path) -> None:
    _original(site).write_bytes(zstandard.ZstdCompressor().compress(HEAD))
    assert _told(site)[0][0] == "error"


def test_a_file_cut_inside_a_frame_is_found(site: Path) -> None:
    path = _original(site)
    path.write_bytes(path.read_bytes()[:-3])
    assert _told(site)[0][0] == "error"


def test_a_lost_index_is_found(site: Path) -> None:
    _original(site).with_suffix(".json").write_text("{", encoding="utf-8")
    assert "no readable index" in _told(site)[0][1]


def test_what_no_ingest_names_is_a_note(site: Path) -> None:
    _keep(site / "originals", b"another\n")
    (site / "originals" / ".partial-1-a.csv").write_bytes(b"x")
    assert {level for level, _ in _told(site)} == {"note"}
