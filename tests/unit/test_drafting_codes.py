"""Fields of the library and of limits: proposed where a column looks like one, else told of."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pytest

from dripledger.drafting.codes import CODED, code_of
from dripledger.drafting.draft import draft
from dripledger.drafting.words import code_rules
from dripledger.schema.columns import COLUMNS

#: What happened, and what stands in the columns of codes: (kind, place of the word of each column).
_STORY: Final = (
    ("start", {"library_use": 0}),
    ("limit", {"limit_kind": 0, "limit_side": 0, "limit_quantity": 0, "decision_logged": 0}),
    ("rate", {}),
    ("limit", {"limit_kind": 1, "limit_side": 1, "limit_quantity": 1, "decision_logged": 1}),
    ("stop", {}),
    ("start", {"library_use": 1}),
    ("stop", {}),
)
_CODES: Final = {
    "library_use": ("limited", "bypassed"),
    "limit_kind": ("soft", "hard"),
    "limit_side": ("high", "low"),
    "limit_quantity": ("flow_rate", "dose_rate"),
    "decision_logged": ("overridden", "cancelled"),
}
#: Language -> labels of kinds, and the header and words of each column.
_WORDS: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "en": {
        "kinds": ("Event", "Infusion start", "Limit alert", "Rate changed", "Infusion stop"),
        "library_use": ("Library mode", "In library", "Bypass"),
        "limit_kind": ("Limit type", "Soft", "Hard"),
        "limit_side": ("Limit direction", "Upper", "Lower"),
        "limit_quantity": ("Limit parameter", "Flow rate", "Dose rate"),
        "decision_logged": ("User response", "Override", "Cancel"),
    },
    "de": {
        "kinds": ("Ereignis", "Infusionsbeginn", "Grenzwertalarm", "Ratenänderung", "Infusionsende"),
        "library_use": ("Bibliotheksmodus", "mit Bibliothek", "ohne Bibliothek"),
        "limit_kind": ("Grenzwertart", "weich", "hart"),
        "limit_side": ("Grenzwertseite", "Obergrenze", "Untergrenze"),
        "limit_quantity": ("Messgröße", "Förderrate", "Dosisrate"),
        "decision_logged": ("Entscheidung", "Bestätigt", "Abbruch"),
    },
    "fr": {
        "kinds": ("Événement", "Début perfusion", "Alerte limite", "Modif. débit", "Arrêt perfusion"),
        "library_use": ("Usage bibliothèque", "Bibliothèque", "Hors bibliothèque"),
        "limit_kind": ("Type de limite", "souple", "dure"),
        "limit_side": ("Sens de la limite", "haute", "basse"),
        "limit_quantity": ("Paramètre", "débit", "débit de dose"),
        "decision_logged": ("Réponse", "Outrepassé", "Annulé"),
    },
    "es": {
        "kinds": ("Evento", "Inicio infusión", "Aviso límite", "Cambio velocidad", "Fin infusión"),
        "library_use": ("Uso de biblioteca", "Biblioteca", "Fuera de biblioteca"),
        "limit_kind": ("Tipo de límite", "blando", "duro"),
        "limit_side": ("Sentido", "Alto", "Bajo"),
        "limit_quantity": ("Magnitud", "Caudal", "Velocidad de dosis"),
        "decision_logged": ("Resultado", "Confirmado", "Cancelado"),
    },
}


def _drafted(folder: Path, words: Mapping[str, tuple[str, ...]], **more: tuple[str, ...]) -> str:
    """Draft a log of two pumps with these columns; `more` has columns as (header, words in turn)."""
    kinds = dict(zip(("start", "limit", "rate", "stop"), words["kinds"][1:], strict=True))
    columns = [name for name in CODED if name in words]
    text = io.StringIO()
    writer = csv.writer(text)
    heads = ("Pump", "Time", words["kinds"][0], "Rate (mL/h)")
    writer.writerow([*heads, *(words[c][0] for c in columns), *(told[0] for told in more.values())])
    for number in range(168):
        kind, told = _STORY[number % len(_STORY)]
        at = datetime(2026, 10, 13, 8) + timedelta(minutes=7 * number)
        codes = [words[c][1 + told[c]] if c in told else "" for c in columns]
        others = [told[1:][number % (len(told) - 1)] for told in more.values()]
        writer.writerow([f"P-{number % 2}", at.isoformat(), kinds[kind], 5 + number % 9 / 2, *codes, *others])
    path = folder / "log.csv"
    path.write_text(text.getvalue(), encoding="utf-8")
    return draft(path)


@pytest.mark.parametrize("language", sorted(_WORDS))
def test_columns_of_codes_are_proposed_with_the_reason_and_their_words(language: str, tmp_path: Path) -> None:
    words = _WORDS[language]
    text = _drafted(tmp_path, words)
    told = tomllib.loads(text)
    for column, codes in _CODES.items():
        header, *values = words[column]
        assert told["fields"].get(column) == header
        assert told["values"][column] == dict(zip(values, codes, strict=True))
        (line,) = [line for line in text.splitlines() if line.startswith(f"{column} = ")]
        assert any(sure in line for sure in ("# sure: ", "# likely: ", "# a guess: "))
        assert f"values.{column}" in {sentence.partition(":")[0] for sentence in told["assumed"]}


def test_a_word_that_does_not_say_which_is_listed_and_not_filed(tmp_path: Path) -> None:
    words = _WORDS["en"] | {
        "decision_logged": ("Outcome", "Override", "Changed"),
        "limit_quantity": ("Parameter", "Rate", "Volume"),
    }
    text = _drafted(tmp_path, words)
    told = tomllib.loads(text)["values"]
    assert told["decision_logged"] == {"Override": "overridden"}
    assert '# Changed = ""' in text.replace('"Changed"', "Changed")
    assert "one of overridden, within_limits, cancelled, left_library" in text
    assert told["limit_quantity"] == {"Volume": "volume"}


def test_one_column_may_say_kind_and_side_of_a_limit(tmp_path: Path) -> None:
    words = {n: told for n, told in _WORDS["en"].items() if n not in ("limit_side", "limit_kind")}
    words["limit_kind"] = ("Limit type", "Soft upper limit", "Hard lower limit")
    told = tomllib.loads(_drafted(tmp_path, words))
    assert told["fields"]["limit_kind"] == told["fields"]["limit_side"] == "Limit type"
    assert told["values"]["limit_side"] == {"Soft upper limit": "high", "Hard lower limit": "low"}


def test_words_of_our_own_need_no_table(tmp_path: Path) -> None:
    words = _WORDS["en"] | {name: (_WORDS["en"][name][0], *codes) for name, codes in _CODES.items()}
    told = tomllib.loads(_drafted(tmp_path, words))
    assert set(_CODES) <= set(told["fields"])
    assert "values" not in told


def test_what_is_no_such_column_is_not_proposed(tmp_path: Path) -> None:
    text = _drafted(
        tmp_path,
        {"kinds": _WORDS["en"]["kinds"]},
        priority=("Priority", "High", "Low", "Medium"),
        answered=("User response", "Quillfeather", "Tannenwald"),
        state=("State", "High", "Low"),
    )
    told = tomllib.loads(text)
    assert not set(CODED) & set(told["fields"])
    assert {"User response", "State"} <= set(told["personal"]["mask"])
    assert "Quillfeather" not in text


def test_columns_that_are_not_there_are_told_with_what_they_cost(tmp_path: Path) -> None:
    text = _drafted(tmp_path, {"kinds": _WORDS["en"]["kinds"]})
    measures = "library_use_starts, library_use_hours, soft_alert_share and hard_alert_share"
    assert f"library_use: {measures} read not_measurable; " in " ".join(text.replace("#", " ").split())
    assert "# limit_side: far_overrides reads not_measurable\n" in text
    assert "# sequence: log_completeness reads not_measurable\n" in text
    assert "# library_version: protected_share and stale_library_share read not_measurable\n" in text
    text = _drafted(tmp_path, _WORDS["en"])
    assert "# library_use: " not in text
    assert "# limit_side: " not in text
    kinds = ("Event", "Start", "Soft limit alert high", "Rate changed", "Stop")
    told = _drafted(tmp_path, {"kinds": kinds})
    # the label of the alert says both
    assert "# limit_kind: " not in told
    assert "# limit_side: " not in told
    assert "# limit_value: far_overrides" in told


def test_columns_of_few_words_that_nothing_names_are_named_for_a_person_to_look_at(tmp_path: Path) -> None:
    text = _drafted(
        tmp_path,
        {"kinds": _WORDS["en"]["kinds"]},
        mode=("Mode", "IN", "OUT", "OPEN"),
        nurse=("Nurse", "Quillfeather", "Tannenwald"),
        site=("Hospital", "Fennmoor"),
    )
    assert "# One of these columns of few words may hold them: Mode\n" in text
    assert "OPEN" not in text
    assert "may hold them" not in _drafted(tmp_path, _WORDS["en"], mode=("Mode", "IN", "OUT"))


def test_a_field_whose_unit_nobody_knows_is_not_there_yet(tmp_path: Path) -> None:
    text = _drafted(tmp_path, _WORDS["en"], limit=("Limit", "20", "30", "40"))
    assert '# limit_value = { field = "Limit", unit = "" }' in text
    assert "# limit_value: far_overrides reads not_measurable\n" in text


def test_without_a_limit_alert_the_draft_says_that_none_can_be_measured(tmp_path: Path) -> None:
    kinds = ("Event", "Start", "QX7", "Rate changed", "Stop")
    text = _drafted(tmp_path, {"kinds": kinds})
    assert "# limits: no label clearly names a limit alert" in text
    assert "# limit_side: " not in text


@pytest.mark.parametrize(
    ("column", "text", "code"),
    [
        ("library_use", "No limits", "no_limit_entry"), ("library_use", "ohne Grenzwerte", "no_limit_entry"),
        ("library_use", "Not in library", "bypassed"), ("library_use", "Y", None),
        ("limit_kind", "Soft/hard", None), ("limit_side", "Override", None),
        ("limit_side", "Übersteuert", None),
        ("limit_side", "Limite supérieure", "high"), ("limit_side", "over", "high"),
        ("limit_quantity", "Dose", None), ("limit_quantity", "Rate", None),
        ("limit_quantity", "Bolus dose", "bolus_dose"), ("limit_quantity", "Konzentration", "concentration"),
        ("limit_quantity", "Rate change", "rate_change"), ("limit_quantity", "Duración", "duration"),
        ("decision_logged", "Left library", "left_library"), ("decision_logged", "Changed", None),
        ("decision_logged", "innerhalb der Grenzen", "within_limits"), ("decision_logged", "Anulado", None),
    ],
)  # fmt: skip
def test_a_value_says_a_code_clearly_or_none(column: str, text: str, code: str | None) -> None:
    assert code_of(column, text) == code


def test_rules_name_codes_that_exist() -> None:
    rules: dict[str, Any] = code_rules()
    assert set(rules) == set(CODED)
    for column, told in rules.items():
        assert {rule["value"] for rule in told["rules"]} <= set(COLUMNS[column].allowed)


def test_yes_and_no_below_a_header_of_the_library_are_listed_for_a_person(tmp_path: Path) -> None:
    words = _WORDS["en"] | {"library_use": ("Lib", "Y", "N")}
    text = _drafted(tmp_path, words)
    told = tomllib.loads(text)
    assert told["fields"]["library_use"] == "Lib"
    # which of them means the library is in use is not for a draft to say
    assert told["values"]["library_use"] == {}
    assert text.count("to file; one of limited, no_limit_entry, bypassed, unknown") == 2
