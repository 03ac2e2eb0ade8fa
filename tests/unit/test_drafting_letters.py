"""Limits told by one letter: proposed where the log itself bears out what it means, else left open."""

from __future__ import annotations

import csv
import io
import tomllib
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from dripledger.drafting.draft import draft
from dripledger.drafting.trial import try_mapping
from dripledger.site import Site, SiteSettings

SITE = Site(Path("/nowhere"), SiteSettings(format=1, facility="trial", time_zone="Europe/Lisbon"))
_HEADER = ("Pump", "Time", "Event", "Rate (mL/h)", "Lim", "Side", "Asked for", "Limit value (mL/h)")
#: Label, letter of the kind, letter of the side, what was entered, the limit.
_STORY = (
    ("Limit alert", "S", "H", "30", "20"),
    ("Limit override", "S", "H", "30", "20"),
    ("Infusion start", "", "", "", ""),
    ("Infusion stop", "", "", "", ""),
    ("Limit alert", "S", "L", "0.5", "1"),
    ("Infusion start", "", "", "", ""),
    ("Infusion stop", "", "", "", ""),
    ("Limit alert", "H", "H", "80", "40"),
    ("Limit alert", "H", "L", "0.2", "0.5"),
)


def _drafted(
    folder: Path, story: tuple[tuple[str, ...], ...] = _STORY, header: tuple[str, ...] = _HEADER
) -> dict[str, Any]:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(header)
    for number in range(10 * len(story)):
        label, *limits = story[number % len(story)]
        at = datetime(2026, 10, 13, 8) + timedelta(minutes=7 * number)
        rate = str(5 + number % 9 / 2) if label.startswith("Infusion") else ""
        writer.writerow([f"P-{number % 2}", at.isoformat(), label, rate, *limits])
    path, mapping = folder / "log.csv", folder / "mapping.toml"
    path.write_text(out.getvalue(), encoding="utf-8")
    text = draft(path)
    mapping.write_text(text, encoding="utf-8")
    assert try_mapping(SITE, mapping, path).counts["quarantined"] == 0
    return tomllib.loads(text) | {"text": text}


def _with(letters: dict[tuple[int, str], str]) -> tuple[tuple[str, ...], ...]:
    """Return the story with other letters: (column, letter) -> letter."""
    return tuple(tuple(letters.get((at, cell), cell) for at, cell in enumerate(row)) for row in _STORY)


def _proposed(told: dict[str, Any]) -> dict[str, str]:
    return {name: told["fields"][name] for name in ("limit_kind", "limit_side") if name in told["fields"]}


def test_letters_that_the_log_bears_out_are_a_guess_with_the_reason(tmp_path: Path) -> None:
    told = _drafted(tmp_path)
    assert _proposed(told) == {"limit_kind": "Lim", "limit_side": "Side"}
    assert told["values"]["limit_kind"] == {"S": "soft", "H": "hard"}
    assert told["values"]["limit_side"] == {"H": "high", "L": "low"}
    # ingest refuses until a person has said yes to both
    assert {"fields.limit_kind: 'Lim' is a guess", "fields.limit_side: 'Side' is a guess"} <= set(
        told["assumed"]
    )
    assert {"values.limit_kind", "values.limit_side"} <= {s.partition(":")[0] for s in told["assumed"]}
    text = " ".join(told["text"].replace("#", " ").split())
    where = "they stand where a limit warned and nowhere else"
    assert f"a guess: S would be soft, H would be hard: {where}, and no override stands at a hard one" in text
    assert f"a guess: H would be high, L would be low: {where}" in text
    (line,) = (line for line in told["text"].splitlines() if line.startswith("limit_side = "))
    assert "  " not in line.partition("# ")[2]
    assert "'Asked for' is above 'Limit value (mL/h)' at the one and below it at the other" in text


@pytest.mark.parametrize(
    ("letters", "kind", "side"),
    [
        (
            {(1, "S"): "W", (2, "H"): "O", (2, "L"): "U"},
            {"W": "soft", "H": "hard"},
            {"O": "high", "U": "low"},
        ),
        ({(1, "H"): "D", (2, "L"): "B"}, {"S": "soft", "D": "hard"}, {"H": "high", "B": "low"}),
        (
            {(1, "S"): "b", (1, "H"): "d", (2, "H"): "a", (2, "L"): "b"},
            {"b": "soft", "d": "hard"},
            {"a": "high", "b": "low"},
        ),
    ],
    ids=["de", "fr", "es"],
)
def test_letters_of_other_languages(
    tmp_path: Path, letters: dict[tuple[int, str], str], kind: dict[str, str], side: dict[str, str]
) -> None:
    told = _drafted(tmp_path, _with(letters))
    assert told["values"] == {"limit_kind": kind, "limit_side": side}


@pytest.mark.parametrize(
    ("story", "left"),
    [
        # the letter that would be hard was confirmed past
        (_with({(1, "S"): "H", (1, "H"): "S"}), {"limit_side": "Side"}),
        # one letter alone: hard, high or something else
        (_with({(1, "S"): "H"}), {"limit_side": "Side"}),
        (_with({(2, "L"): "H"}), {"limit_kind": "Lim"}),
        # letters of no pair, and one too many
        (_with({(1, "S"): "K"}), {"limit_side": "Side"}),
        ((*_STORY, ("Limit alert", "X", "H", "30", "20")), {"limit_side": "Side"}),
        # no override bears the kind out, no numbers the side
        (tuple(row for row in _STORY if row[0] != "Limit override"), {"limit_side": "Side"}),
        (_with({(3, n): "" for n in ("30", "0.5", "80", "0.2")}), {"limit_kind": "Lim"}),
        # letters in records that have nothing to do with a limit
        (_with({(1, ""): "S", (2, ""): "L"}), {}),
        # nothing says which records warn of a limit
        (tuple((row[0].replace("Limit", "Zone"), *row[1:]) for row in _STORY), {}),
    ],
)
def test_letters_that_nothing_bears_out_stay_open(
    tmp_path: Path, story: tuple[tuple[str, ...], ...], left: dict[str, str]
) -> None:
    assert _proposed(_drafted(tmp_path, story)) == left


def test_a_side_that_the_numbers_contradict_stays_open(tmp_path: Path) -> None:
    header = (*_HEADER[:6], "Entered value", "Limit value")
    assert _proposed(_drafted(tmp_path, header=header)) == {"limit_kind": "Lim", "limit_side": "Side"}
    turned = _with({(2, "H"): "L", (2, "L"): "H"})
    assert _proposed(_drafted(tmp_path, turned, header)) == {"limit_kind": "Lim"}
    # columns of which no header says which is the limit bear out nothing, turned or not
    for story in (_STORY, turned):
        assert _proposed(_drafted(tmp_path, story, (*_HEADER[:6], "X1", "X2"))) == {"limit_kind": "Lim"}
    for named in (("X1", "Limit value"), ("Entered value", "X2")):
        told = _drafted(tmp_path, header=(*_HEADER[:6], *named))
        assert _proposed(told) == {"limit_kind": "Lim", "limit_side": "Side"}


def test_letters_of_a_priority_are_none_of_a_limit(tmp_path: Path) -> None:
    header = (*_HEADER[:5], "Priority", *_HEADER[6:])
    assert _proposed(_drafted(tmp_path, header=header)) == {"limit_kind": "Lim"}
