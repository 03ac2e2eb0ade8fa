"""Broken samples of every shape: the exact message and exit code that a person sees, and the store after it.

`broken/SHAPE/` holds the samples, `broken/mappings.toml` how they are read, `broken/expected.toml` what
is told.
"""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from dripledger.cli import _run
from dripledger.site import load_site
from tests.event_samples import make_site, rows
from tests.functional.conftest import tree_digest
from tests.functional.written_logs import BY_NAME, Form, delimited, fixed_columns
from tests.marks import LONG

FOLDER = Path(__file__).parent / "broken"
EXPECTED: dict[str, dict[str, Any]] = tomllib.loads((FOLDER / "expected.toml").read_text(encoding="utf-8"))
MAPPINGS: dict[str, dict[str, Any]] = tomllib.loads((FOLDER / "mappings.toml").read_text(encoding="utf-8"))
BALANCE = (
    "select rows_read, events_kept, duplicates, quarantined, rows_ignored from ingests "
    "where source_name = 'broken'"
)
WAITING = "select source_record, reasons[1], byte_offset, byte_length from quarantined order by source_record"
SAMPLES = sorted(p.relative_to(FOLDER).as_posix() for p in FOLDER.glob("*/*"))


def _form(shape: str, sample: str) -> Form:
    told = MAPPINGS[shape]
    options = told.get("by_sample", {}).get(sample, told["options"])
    return Form(shape, shape, options.replace("COLUMNS", fixed_columns()), delimited(","))


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site that has read one sound file: made once, copied for each sample."""
    root = tmp_path_factory.mktemp("sound")
    mapping = BY_NAME["comma"].mapping().replace('["log*", "*/log*"]', '["sound.csv"]')
    site = make_site(root, {"sound": mapping}, "[people]\ndemo_seed = 7\n")
    record = ("P-9", "2026-10-01 08:00:00", "1", "START", "", "morphine", "2.5", "", "4711")
    (site.inbox / "sound.csv").write_bytes(BY_NAME["comma"].write((record,)))
    assert _run(["ingest", "--site", str(root), "--no-build"]) == 0
    return root


def run_sample(
    sound: Path, root: Path, sample: str, capsys: pytest.CaptureFixture[str]
) -> tuple[int, list[str], bool]:
    """Ingest a sample beside a sound file; return code, messages, whether the store is as it was."""
    shutil.copytree(sound, root, dirs_exist_ok=True)
    shape, name = sample.split("/")
    mapping = _form(shape, name).mapping().replace('["log*", "*/log*"]', '["broken/*"]')
    (root / "sources" / "broken.toml").write_text(mapping, encoding="utf-8")
    before = tree_digest(root / "store")
    (root / "inbox" / "broken").mkdir()
    shutil.copy(FOLDER / sample, root / "inbox" / "broken" / name)
    capsys.readouterr()
    code = _run(["ingest", "--site", str(root), "--no-build", "--json"])
    told = capsys.readouterr()
    lines = [line.replace(f"{root}/", "") for line in told.err.splitlines() if not line.startswith("read ")]
    return code, lines, tree_digest(root / "store") == before


def test_every_sample_is_expected() -> None:
    assert sorted(EXPECTED) == SAMPLES
    assert {sample.split("/")[0] for sample in SAMPLES} == set(MAPPINGS)


# in a plain run every third
@pytest.mark.parametrize(
    "sample", [pytest.param(one, marks=LONG if n % 3 else (), id=one) for n, one in enumerate(SAMPLES)]
)
def test_sample(sound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], sample: str) -> None:
    expected = EXPECTED[sample]
    code, lines, unchanged = run_sample(sound, tmp_path, sample, capsys)
    assert lines == expected["messages"]
    assert code == expected["code"]
    if code == 3:
        assert unchanged, "the store changed"
        return
    site = load_site(tmp_path)
    assert rows(site, BALANCE) == [tuple(expected["balance"])] * bool(expected["balance"])
    waiting = rows(site, WAITING)
    assert [list(row) for row in waiting] == expected["waiting"]
