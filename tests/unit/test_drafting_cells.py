"""Nested names, counts of seconds, units inside cells, footers: what a draft makes of less usual exports."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from dripledger.drafting.compose import source_name
from dripledger.drafting.draft import draft
from dripledger.drafting.labels import kind_of
from dripledger.drafting.profile import unit_in_header
from dripledger.drafting.trial import try_mapping
from dripledger.drafting.words import concepts_of
from dripledger.site import Site, SiteSettings

_LABELS = ("DLV_BEGIN", "DLV_ADJ", "DLV_END", "PING")


def _nested(tmp_path: Path, per_second: int = 1) -> Any:
    path = tmp_path / "hub.jsonl"
    seen: dict[str, int] = {}
    with path.open("w", encoding="utf-8") as out:
        for n in range(420):
            pump = f"0700{1 + n % 7}"
            seen[pump] = seen.get(pump, 1000) + 1
            record = {
                "hdr": {"id": 50000 + n}, "dev": {"sn": pump, "fw": "3.1.4", "lane": 1 + n % 2},
                "ts": (1785554542 + 97 * n) * per_second, "evt": {"code": _LABELS[n % 4], "n": seen[pump]},
                "wt_g": 70600 + n,
            }  # fmt: skip
            out.write(json.dumps(record) + "\n")
    return tomllib.loads(draft(path))


@pytest.mark.parametrize(("per_second", "pattern"), [(1, "epoch_s"), (1000, "epoch_ms")])
def test_nested_json_with_counts_of_seconds(tmp_path: Path, per_second: int, pattern: str) -> None:
    told = _nested(tmp_path, per_second)
    fields = told["fields"]
    assert (fields["pump_id"], fields["kind"], fields["sequence"]) == ("dev.sn", "evt.code", "evt.n")
    assert fields["weight_kg"] == {"field": "wt_g", "unit": "g"}
    assert fields["device_time"] == "ts"
    assert (told["time"]["format"], told["time"]["zone"]) == (pattern, "UTC")
    assert any(s.startswith("time.format") for s in told["assumed"])


@pytest.mark.parametrize(("header", "is_assumed"), [("Unit No", False), ("Dev", True)])
def test_a_pump_that_is_only_likely_is_assumed(tmp_path: Path, header: str, is_assumed: bool) -> None:
    path = tmp_path / "log.csv"
    rows = [f"U{n % 3},2026-10-13 08:{n:02}:00,{'Start' if n % 2 else 'Stop'}" for n in range(30)]
    path.write_text("\n".join([f"{header},Time,Event", *rows]) + "\n", encoding="utf-8")
    told = tomllib.loads(draft(path))
    assert told["fields"]["pump_id"] == header
    assert any(s.startswith(f"fields.pump_id: {header!r}") for s in told["assumed"]) == is_assumed


@pytest.mark.parametrize("header", ["wt_g", "Weight (g)", "Gewicht g", "Weight grams", "poids_g"])
def test_grams_are_no_kilograms(header: str) -> None:
    assert unit_in_header(header) == "g"


def test_a_weight_too_large_for_kilograms_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        "Pump,Time,Event,Weight\nP-1,2026-10-13 08:00:00,Start,70600\nP-1,2026-10-13 09:00:00,Stop,3200\n",
        encoding="utf-8",
    )
    assert "weight_kg" not in tomllib.loads(draft(path))["fields"]


def test_without_a_known_time_the_rest_is_drafted(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Pump,Time,Event\nP-1,h-3,Start\nP-1,h-4,Stop\n", encoding="utf-8")
    told = tomllib.loads(draft(path))
    assert told["fields"]["device_time"] == "Time"
    assert told["fields"]["kind"] == "Event"
    assert told["assumed"][0].startswith("fields.device_time")
    path.write_text("Pump,Event\nP-1,Start\nP-1,Stop\n", encoding="utf-8")
    told = tomllib.loads(draft(path))
    assert told["fields"]["pump_id"] == "Pump"
    assert "expr" in told["fields"]["device_time"]


def test_a_unit_inside_the_cell(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [
        f"P-{n % 2},2026-10-13 08:{n:02}:00,{'Start' if n % 2 else 'Stop'},{n}.5 mL/h,"
        f"{154 if n % 3 else 70} {'lb' if n % 3 else 'kg'},{n} {'mg/h' if n % 2 else 'mcg/kg/min'}"
        for n in range(30)
    ]
    path.write_text("\n".join(["Pump,Time,Event,Flow,Weight,Dose", *rows]) + "\n", encoding="utf-8")
    text = draft(path)
    told = tomllib.loads(text)
    assert told["fields"]["rate_ml_h"] == {"expr": "split_part(\"Flow\", ' ', 1)", "unit": "mL/h"}
    assert "personal" not in told
    assert not {"weight_kg", "dose_value"} & set(told["fields"])
    assert '"Weight" holds a number and its unit in one cell ("lb", "kg")' in text
    assert "# dose_unit = { expr = " in text


def test_a_unit_right_behind_its_number(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [
        f"P-{n % 2},2026-10-13 08:{n:02}:00,{'Start' if n % 2 else 'Stop'},{n}.5{' ' if n == 7 else ''}mL/h,"
        f"{n},{'mg/h' if n % 2 else 'mcg/kg/min'}"
        for n in range(30)
    ]
    path.write_text("\n".join(["Pump,Time,Event,Flow,Dose,Dose unit", *rows]) + "\n", encoding="utf-8")
    mapping = tmp_path / "m.toml"
    mapping.write_text(draft(path), encoding="utf-8")
    told = tomllib.loads(mapping.read_text(encoding="utf-8"))
    assert told["fields"]["rate_ml_h"] == {
        "expr": "regexp_extract(\"Flow\", '^[-+]?[0-9.,]+')",
        "unit": "mL/h",
    }
    site = Site(Path("/nowhere"), SiteSettings(format=1, facility="trial", time_zone="Europe/Lisbon"))
    events = try_mapping(site, mapping, path).as_json()["first_events"]
    assert [event["rate_ml_h"] for event in events[:3]] == [0.5, 1.5, 2.5]


@pytest.mark.parametrize(("header", "is_model"), [("Mode", False), ("Betriebsart", False), ("Modell", True)])
def test_a_mode_is_no_model(tmp_path: Path, header: str, is_model: bool) -> None:
    path = tmp_path / "log.csv"
    rows = [
        f"P-{n % 2},2026-10-13 08:{n:02}:00,{'Start' if n % 2 else 'Stop'},{('steady', 'ramp')[n // 4 % 2]}"
        for n in range(30)
    ]
    path.write_text("\n".join([f"Pump,Time,Event,{header}", *rows]) + "\n", encoding="utf-8")
    told = tomllib.loads(draft(path))
    assert ("pump_model" in told["fields"]) == is_model


@pytest.mark.parametrize(
    ("footer", "declared"),
    [
        ("Ende der Auswertung - 3 Datensätze", "Ende der Auswertung - {records} Datensätze"),
        ("End of export", "End of export"),
        ("End of export 17", None),
    ],
)
def test_a_footer_names_no_count_of_this_month(tmp_path: Path, footer: str, declared: str | None) -> None:
    path = tmp_path / "log.csv"
    # a record that is cut off counts as one
    path.write_text(
        "Pump;Time;Event\nP-1;2026-10-13 08:00:00;Start\nP-1;2026-10-13\n"
        f"P-1;2026-10-13 09:00:00;Stop\n{footer}\n",
        encoding="utf-8",
    )
    told = tomllib.loads(draft(path))
    assert told["delimited"].get("footer") == declared
    assert any(s.startswith("delimited.footer") for s in told["assumed"]) == (declared is None)


@pytest.mark.parametrize(
    ("header", "concept"),
    [("Unit No", "serial"), ("NoSerie", "serial"), ("No de série", "serial"), ("Lfd. Nr.", "sequence"),
     ("NoOrdre", "sequence")],
)  # fmt: skip
def test_headers(header: str, concept: str) -> None:
    assert concepts_of(header)[concept] >= 0.6


@pytest.mark.parametrize(
    ("label", "kind"),
    [
        ("Förderung gestartet", "infusion_started"), ("Gerät eingeschaltet", "powered_on"),
        ("Gerät ausgeschaltet", "powered_off"), ("Förderung angehalten", "infusion_paused"),
        ("Grenzwert übergangen", "limit_overridden"), ("RUN", "infusion_started"),
        ("ALARM CLR", "alarm_cleared"), ("LIMIT WARNING", "limit_alerted"), ("WT ENTERED", "weight_changed"),
        ("Mise sous tension", "powered_on"), ("Mise hors tension", "powered_off"),
    ],
)  # fmt: skip
def test_labels(label: str, kind: str) -> None:
    assert kind_of(label) == kind


def test_the_number_in_a_name_stays() -> None:
    assert source_name(Path("/elsewhere/pump log_q3.csv")) == "pump_log_q3"
