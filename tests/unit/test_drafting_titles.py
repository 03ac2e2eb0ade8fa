"""Lines above the header, which are no part of the log: found whatever signs and words stand in them."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from dripledger.drafting.draft import draft
from dripledger.drafting.trial import try_mapping
from dripledger.site import Site, SiteSettings

SITE = Site(Path("/nowhere"), SiteSettings(format=1, facility="trial", time_zone="Europe/Lisbon"))
_HEADER = ("Pump", "Channel", "Time", "Event", "Drug", "Rate [mL/h]")
_TITLES = (
    "Event log of the pumps, week 42",
    "Infusion events; October",
    "DEVICE LIST 2026/41",
    "Pump room      printed by the night shift",
    "Pump log, with two commas, in its title",
)


def _rows(mark: str) -> list[tuple[str, ...]]:
    return [
        (
            f"P-{n % 2}",
            "AB"[n // 2 % 2],
            f"2026-10-{13 + n // 20} {n % 20:02}:15:00",
            "Infusion start" if n // 4 % 2 else "Infusion stop",
            ("Midazolam", "Insulin")[n % 2],
            f"{n % 7}{mark}5",
        )
        for n in range(100)
    ]


def _drafted(folder: Path, lines: list[str]) -> tuple[dict[str, dict[str, object]], str, int]:
    path, mapping = folder / "log.txt", folder / "mapping.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = draft(path)
    mapping.write_text(text, encoding="utf-8")
    return tomllib.loads(text), text, try_mapping(SITE, mapping, path).counts["events_kept"]


@pytest.mark.parametrize("title", _TITLES)
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_title_above_a_delimited_header(tmp_path: Path, title: str, separator: str) -> None:
    mark = "." if separator == "," else ","
    lines = [title, *(separator.join(row) for row in [_HEADER, *_rows(mark)])]
    told, text, kept = _drafted(tmp_path, lines)
    assert told["shape"] == "delimited"
    assert told["delimited"]["separator"] == separator
    assert told["delimited"]["title_lines"] == 1
    assert told["fields"]["pump_id"] == "Pump"
    assert "the first line stands above the header" in text.lower()
    assert kept == 100


@pytest.mark.parametrize("titles", [1, 3])
@pytest.mark.parametrize("title", _TITLES)
def test_a_title_above_columns_with_a_header(tmp_path: Path, title: str, titles: int) -> None:
    def placed(row: tuple[str, ...]) -> str:
        return "".join(f"{cell:<{width}}" for cell, width in zip(row, (6, 9, 21, 16, 12, 11), strict=True))

    above = [title, "", "printed at night"][:titles]
    told, text, kept = _drafted(tmp_path, [*above, *(placed(row) for row in [_HEADER, *_rows(".")])])
    assert told["shape"] == "fixed_width"
    assert told["fixed_width"]["title_lines"] == titles
    assert told["fixed_width"]["header"] is True
    columns = told["fixed_width"]["columns"]
    assert isinstance(columns, list)
    assert [column["name"] for column in columns] == list(_HEADER)
    assert told["fields"]["pump_id"] == "Pump"
    assert f"the first {'line stands' if titles == 1 else '3 lines stand'} above the header" in text.lower()
    assert kept == 100


def test_rows_of_words_below_a_header_are_no_header(tmp_path: Path) -> None:
    """The first line that fits stays the header, though a row has more signs in it."""
    rows = ["Event,Drug,Pump"] + ["Infusion start,Drug rate,Pump one", "Infusion stop,Insulin,Pump two"] * 20
    told, _, _ = _drafted(tmp_path, rows)
    assert "title_lines" not in told["delimited"]
