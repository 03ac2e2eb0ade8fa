"""`verify` on a report's folder, and on what it cannot check."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from dripledger.cli import main
from dripledger.commands.verify import check


@pytest.fixture
def report(tmp_path: Path) -> Path:
    folder = tmp_path / "2026-10"
    folder.mkdir()
    files = {"index.html": b"<p>a page</p>", "measures.csv": b"measure,month\n"}
    for name, content in files.items():
        (folder / name).write_bytes(content)
    told = {name: {"sha256": hashlib.sha256(content).hexdigest()} for name, content in files.items()}
    (folder / "manifest.json").write_text(json.dumps({"kind": "report", "files": told}), encoding="utf-8")
    return folder


def test_an_untouched_report_is_sound(report: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(report)]) == 0
    assert "every file of the report is as its manifest says" in capsys.readouterr().err


def test_changed_missing_and_added_files_are_named(report: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (report / "measures.csv").write_bytes(b"measure,month\nx,y\n")
    (report / "index.html").unlink()
    (report / "notes.txt").write_text("mine", encoding="utf-8")
    assert [(item.level, item.where) for item in check(report).findings] == [
        ("error", "index.html"), ("error", "measures.csv"), ("note", "notes.txt"),
    ]  # fmt: skip
    assert main(["verify", str(report), "--format", "csv"]) == 5
    captured = capsys.readouterr()
    assert "index.html,is missing" in captured.out
    assert "2 things are not as written down" in captured.err


@pytest.mark.parametrize(
    "text", ["{", "[]", '{"files": 3}', '{"files": {"a": {}}}', '{"files": {"../x": {"sha256": "0"}}}']
)
def test_a_spoilt_manifest_is_told(report: Path, text: str) -> None:
    (report / "manifest.json").write_text(text, encoding="utf-8")
    assert not check(report).is_sound


def test_a_file_is_no_folder_to_check(report: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(report / "index.html")]) == 2
    assert "is a file, and no packet. Name a site folder" in capsys.readouterr().err
