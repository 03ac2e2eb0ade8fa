"""Device messages compressed and encoded otherwise: the same events."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.event_samples import drop, events, make_site, read
from tests.functional.hl7.messages import event, text
from tests.functional.written_logs import gzipped, packed
from tests.marks import LONG

MAPPING = """
pattern = ["*.hl7"]
shape = "hl7"
canonical = true
records = ["infusion_started", "infusion_stopped"]
[hl7]
encoding = "{encoding}"
[time]
zone = "in_text"
[fields]
patient_key = {{ field = "patient", personal = "key" }}
"""
MESSAGES = text(
    event("start", "20260114080000-0600", patient="FH700155", drug="Héparine"),
    event("stop", "20260114090000-0600", patient="FH700155", drug="Héparine"),
)


def _read(root: Path, name: str, data: bytes, encoding: str) -> list[tuple[object, ...]]:
    site = make_site(root, {"messages": MAPPING.format(encoding=encoding)}, "[people]\ndemo_seed = 7\n")
    drop(site, name, data)
    result = read(site)
    assert not result.failures
    assert (result.total("rows_read"), result.total("quarantined")) == (2, 0)
    return events(site)


@pytest.mark.parametrize(
    ("name", "write", "encoding"),
    [
        pytest.param("a.hl7.gz", lambda told: gzipped(told.encode()), "detect", marks=LONG),
        ("a.zip", lambda told: packed({"b.hl7": told.encode()}), "detect"),
        ("a.hl7", lambda told: told.encode("utf-16"), "detect"),
        pytest.param("a.hl7", lambda told: told.encode("cp1252"), "windows-1252", marks=LONG),
        ("a.hl7.gz", lambda told: gzipped(told.encode("cp1252")), "windows-1252"),
    ],
)
def test_the_same_events(tmp_path: Path, name: str, write: Callable[[str], bytes], encoding: str) -> None:
    expected = _read(tmp_path / "plain", "a.hl7", MESSAGES.encode(), "detect")
    assert len(expected) == 2
    assert _read(tmp_path / "other", name, write(MESSAGES), encoding) == expected
