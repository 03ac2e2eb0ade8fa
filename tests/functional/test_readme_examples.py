"""The mappings that README shows read the samples that stand beside them, and give what README says."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from tests.functional.conftest import SITE_TOML, CommandLine

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```(csv|json|xml|text)\n((?:(?!```).)*)```\s+```toml\n(.*?)```", README, re.DOTALL)

ENDINGS = {"csv": "csv", "json": "jsonl", "xml": "xml", "text": "txt"}
EXPECTED = {
    "wards": [
        "infusion_started,A,2026-10-01T07:00:00Z,2.5,limited",
        "rate_changed,A,2026-10-01T07:30:00Z,4.0,limited",
        "infusion_stopped,A,2026-10-01T09:30:00Z,,limited",
    ],
    "gateway": [
        "library_bypassed,1,2026-10-01T06:00:00Z,2.5,",
        "infusion_started,1,2026-10-01T06:00:00Z,2.5,",
        "infusion_stopped,1,2026-10-01T07:00:00Z,,",
    ],
    "dump": [
        "infusion_started,1,2026-10-01T06:00:00Z,,",
        "infusion_stopped,1,2026-10-01T07:00:00Z,,",
    ],
    "charting": [
        "infusion_started,225158/77,2026-10-01T07:00:00Z,10.0,",
        "infusion_started,225158/77,2026-10-01T08:00:00Z,20.0,",
        "infusion_stopped,225158/77,2026-10-01T08:00:00Z,10.0,",
        "infusion_stopped,225158/77,2026-10-01T08:30:00Z,20.0,",
    ],
    "cabinet": [
        "infusion_started,1,2026-10-01T07:00:00Z,10.0,",
        "infusion_stopped,1,2026-10-01T08:00:00Z,,",
    ],
    "printer": [
        "infusion_started,1,2026-10-01T07:00:00Z,12.5,",
        "infusion_stopped,1,2026-10-01T08:00:00Z,,",
    ],
    "plain": [
        "infusion_started,A,2026-10-01T07:00:00Z,10.0,limited",
        "infusion_stopped,A,2026-10-01T08:00:00Z,,",
    ],
}


def test_every_example_is_expected() -> None:
    assert sorted(_name(mapping) for _, _, mapping in EXAMPLES) == sorted(EXPECTED)


def _name(mapping: str) -> str:
    match = re.search(r'^name = "(\w+)"', mapping, re.MULTILINE)
    assert match
    return match[1]


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> tuple[CommandLine, Path, Any]:
    """Return a site that has read every sample by its mapping, and what its ingest told."""
    folder = tmp_path_factory.mktemp("examples")
    cli, site = CommandLine(folder, folder), folder / "site"
    (site / "sources").mkdir(parents=True)
    (site / "site.toml").write_text(SITE_TOML + '[people]\nkey_file = "../key"\n', encoding="utf-8")
    (folder / "key").write_text("11" * 32 + "\n", encoding="ascii")
    (folder / "key").chmod(0o600)
    for form, sample, mapping in EXAMPLES:
        name = _name(mapping)
        (site / "sources" / f"{name}.toml").write_text(mapping, encoding="utf-8")
        inbox = site / "inbox" / name
        inbox.mkdir(parents=True)
        ending = "json" if 'shape = "json_array"' in mapping else ENDINGS[form]
        (inbox / f"sample.{ending}").write_text(sample, encoding="utf-8")
    return cli, site, cli.ok("ingest", "--site", site, "--json").json


@pytest.mark.parametrize("name", [_name(mapping) for _, _, mapping in EXAMPLES])
def test_example(read: tuple[CommandLine, Path, Any], name: str) -> None:
    cli, site, document = read
    assert document["balanced"] is True
    assert document["quarantined"] == 0
    (file,) = (file for file in document["files"] if f"/{name}/" in f"/{file['path']}")
    assert file["source"] == name
    sql = (
        "select kind, channel, occurred_at, rate_ml_h, library_use from events "
        f"where source_name = '{name}' order by occurred_at, case kind when 'library_bypassed' then 0 "
        "when 'infusion_started' then 1 else 2 end"
    )
    lines = cli.ok("query", sql, "--site", site).out.splitlines()[1:]
    assert lines == EXPECTED[name]
