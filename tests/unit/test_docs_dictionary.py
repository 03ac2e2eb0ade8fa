"""README's list of tables and measures is the declared one; a failing test prints the lines that it needs."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

import pytest

from dripledger.measures.definitions import MEASURES
from dripledger.schema import EVENT_KINDS, TABLES, Table
from dripledger.schema.codes import ALARM_KINDS
from dripledger.site import SiteSettings
from dripledger.store import COMMITS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
ALL_TABLES = {**TABLES, COMMITS.name: COMMITS}


def _entry(table: Table) -> str:
    columns = ", ".join(f"`{name}`" for name in table.names)
    return "\n".join(
        textwrap.wrap(
            f"- **`{table.name}`**: {table.grain}. {columns}",
            width=112,
            subsequent_indent="  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
    )


@pytest.mark.parametrize("name", sorted(ALL_TABLES))
def test_readme_lists_table_with_its_columns(name: str) -> None:
    wanted = _entry(ALL_TABLES[name])
    assert wanted in README, f"README, section Tables, needs:\n{wanted}"


def test_readme_lists_no_other_table() -> None:
    section = re.search(r"^## Tables\n(.*?)^## ", README, re.MULTILINE | re.DOTALL)
    assert section
    assert set(re.findall(r"^- \*\*`(\w+)`\*\*", section[1], re.MULTILINE)) == set(ALL_TABLES)


def test_readme_lists_every_kind_of_event_and_alarm() -> None:
    section = re.search(r"^### Kinds of event\n(.*?)^## ", README, re.MULTILINE | re.DOTALL)
    assert section
    assert dict(re.findall(r"^\| `(\w+)` \| (.+?) \|$", section[1], re.MULTILINE)) == EVENT_KINDS
    alarms = section[1].partition("Kinds of alarm")[2]
    assert tuple(re.findall(r"`(\w+)`", alarms)) == ALARM_KINDS


def test_readme_lists_measures_by_whether_they_are_calculated() -> None:
    section = re.search(r"^## Measures\n(.*?)^## ", README, re.MULTILINE | re.DOTALL)
    assert section
    documented = dict(re.findall(r"^\| `(\w+)` \| (.+?) \|$", section[1], re.MULTILINE))
    declared = {m.id: f"{m.numerator} / {m.denominator}" for m in MEASURES.values() if m.built}
    statuses = {"ok", "small", "not_measurable", "no_data", "provisional"}
    assert {name: text for name, text in documented.items() if name not in statuses} == declared
    later = re.search(
        r"^Declared, and `not_measurable`[^:]*:\n(.*?)\n\n", section[1], re.MULTILINE | re.DOTALL
    )
    assert later
    unbuilt = {m.id for m in MEASURES.values() if not m.built}
    assert set(re.findall(r"`(\w+)`", later[1])) == unbuilt


def test_settings_named_in_readme_exist() -> None:
    schema = SiteSettings.model_json_schema()
    known = {name for part in [schema, *schema["$defs"].values()] for name in part.get("properties", {})}
    for name in ("quarantine_share_max", "provisional_share", "minimums"):
        assert name in known
        assert f"`{name}`" in README or f"[{name}]" in README
