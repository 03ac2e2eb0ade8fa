"""No value about people stands in a draft, whatever its column is called."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from dripledger.drafting.draft import draft
from dripledger.errors import UsageError

NAMES = ("Quillfeather, Orla", "Tannenwald, Ivo", "Dubreuil, Solange", "Ferrandis, Quim")


def _write(path: Path, header: str, value: list[str]) -> Path:
    rows = [
        f"P-{n % 2},2026-10-13 08:{n:02}:00,{'Start' if n % 2 else 'Stop'},"
        f'{n % 4 + 1}.5,"{value[n % len(value)]}"'
        for n in range(24)
    ]
    path.write_text("\n".join([f"Pump,Time,Event,Rate (mL/h),{header}", *rows]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "header", ["Patient", "Field 7", "Drug", "Text", "Care area", "Operator", "Alarm", "Note", "X"]
)
def test_names_are_masked_under_any_header(tmp_path: Path, header: str) -> None:
    text = draft(_write(tmp_path / "log.csv", header, list(NAMES)))
    told = tomllib.loads(text)
    assert header in told["personal"]["mask"]
    for name in NAMES:
        for part in name.split(", "):
            assert part not in text


@pytest.mark.parametrize(
    ("header", "values"),
    [
        ("Date of birth", ["1961-04-02", "1975-12-24"]),
        ("Geburtsdatum", ["02.04.1961", "24.12.1975"]),
        ("Ddn", ["02/04/1961", "24/12/1975"]),
        ("Nurse badge", ["884201", "884377"]),
        ("Bediener", ["mmu", "kle"]),
        ("Prénom", ["Orla", "Ivo"]),
        ("Insurance no", ["A884201", "A884377"]),
        ("Field 9", ["884201", "884377"]),
    ],
)
def test_births_staff_and_what_nobody_declared_safe(tmp_path: Path, header: str, values: list[str]) -> None:
    text = draft(_write(tmp_path / "log.csv", header, values))
    assert tomllib.loads(text)["personal"]["mask"] == [header]
    assert not any(value in text for value in values)


@pytest.mark.parametrize("header", ["MRN", "Fallnummer", "Patient ID", "N° dossier", "NHC"])
def test_the_number_of_a_patient_is_keyed(tmp_path: Path, header: str) -> None:
    text = draft(_write(tmp_path / "log.csv", header, ["7730021", "7730555"]))
    assert tomllib.loads(text)["fields"]["patient_key"] == {"field": header, "personal": "key"}
    assert "77300" not in text


def test_names_and_long_numbers_among_labels_are_withheld(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    labels = ["Start", "Stop", "Pause", "Rate change", "Call Dr Quillfeather", "case 7730021", "QX7"]
    rows = [f"P-{n % 2},2026-10-13 08:{n:02}:00,{labels[n % len(labels)]}" for n in range(35)]
    path.write_text("\n".join(["Pump,Time,Event", *rows]) + "\n", encoding="utf-8")
    text = draft(path)
    assert "Quillfeather" not in text
    assert "7730021" not in text
    assert '# "QX7"' in text
    assert "2 further labels are not shown" in text


def test_a_column_declared_safe_is_shown_and_not_masked(tmp_path: Path) -> None:
    path = _write(tmp_path / "log.csv", "Pressure class", ["tight", "loose"])
    assert "tight" not in draft(path)
    text = draft(path, ["Pressure class"])
    assert "personal" not in tomllib.loads(text)
    assert '"tight"' in text


def test_an_unknown_column_cannot_be_declared_safe(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no column 'Presure class'"):
        draft(_write(tmp_path / "log.csv", "Pressure class", ["tight"]), ["Presure class"])
