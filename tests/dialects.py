"""Four invented exports, one a language, in dialects that the word lists of a draft were not written for.

Their headers are abbreviations, compounds and other forms; a test holds that none stands in the lists.
All tell the same invented log: two pumps, each with its own running numbers.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

Row = dict[str, Any]

#: What happened on one pump, in minutes after its begin: (minute, what, rate, dose).
_STORY = (
    (0, "area", None, None),
    (1, "start", 12.5, 0.25),
    (45, "rate", 15.0, 0.3),
    (50, "limit", 40.0, 0.8),
    (51, "confirm", 40.0, 0.8),
    (63, "occlusion", None, None),
    (64, "cleared", None, None),
    (66, "resume", 15.0, 0.3),
    (90, "bolus", 100.0, None),
    (91, "bolus end", 15.0, 0.3),
    (200, "odd", None, None),
    (240, "stop", None, None),
)


def story() -> list[Row]:
    """Return the log: a row for each record, in the order of times."""
    rows: list[Row] = []
    for number, (pump, channel, entry, weight) in enumerate(
        (("KX-20417", "A", "Morphin", 71.5), ("KX-20988", "B", "Heparin", 3.4))
    ):
        sequence = 4100 + 1000 * number
        for day in range(6):
            begin = datetime(2026, 3, 9, 7, 5, 9) + timedelta(days=day, hours=number)
            for minute, what, rate, dose in _STORY:
                rows.append({
                    "pump": pump, "channel": channel, "at": begin + timedelta(minutes=minute), "n": sequence,
                    "what": what, "area": "ICU" if number == 0 else "Neonatology", "entry": entry,
                    "rate": rate, "dose": dose, "weight": weight,
                    "name": "Quillfeather" if number == 0 else "Tannenwald",
                    "given": "Orla" if number == 0 else "Ivo",
                    "born": "1961-04-02" if number == 0 else "2026-01-15",
                    "case": "7730021" if number == 0 else "7730555",
                })  # fmt: skip
                sequence += 1
    return sorted(rows, key=lambda row: (row["at"], row["n"]))


@dataclass(frozen=True)
class Dialect:
    """One export.

    Parameters
    ----------
    name
        Name of the file.
    data
        Its bytes.
    fields
        Canonical column -> what a mapping has to say of it.
    units
        Canonical column -> raw field of its unit, or the unit itself.
    headers
        All its raw fields.
    people
        Values about people, which must be printed nowhere.
    hidden
        Raw fields that have to be masked.
    odd
        The label that nobody can file without knowing the pump.
    """

    name: str
    data: bytes
    fields: dict[str, str]
    units: dict[str, str]
    headers: tuple[str, ...]
    people: tuple[str, ...]
    hidden: tuple[str, ...]
    odd: str


_PEOPLE = ("Quillfeather", "Tannenwald", "Orla", "Ivo", "7730021", "7730555", "1961", "02.04.1961")


def _table(separator: str, columns: dict[str, Callable[[Row], Any]]) -> str:
    lines = [separator.join(columns)]
    for row in story():
        cells = [cell(row) for cell in columns.values()]
        lines.append(separator.join("" if c is None else str(c) for c in cells))
    return "\r\n".join(lines) + "\r\n"


def english() -> Dialect:
    """Bars, the month first with twelve hours, headers of run-together abbreviations."""
    labels = {
        "area": "Profile chosen", "start": "Delivery begun", "rate": "Flow adjusted",
        "limit": "Soft limit hit",
        "confirm": "Soft lim override", "occlusion": "Occluded downstream", "cleared": "Alarm reset",
        "resume": "Delivery resumed", "bolus": "Bolus begun", "bolus end": "Bolus ended", "odd": "QX7 trip",
        "stop": "Delivery halted",
    }  # fmt: skip
    columns: dict[str, Callable[[Row], Any]] = {
        "DevSerialNo": lambda r: r["pump"],
        "ModuleLtr": lambda r: r["channel"],
        "EvtDtTm": lambda r: r["at"].strftime("%m/%d/%Y %I:%M:%S %p"),
        "RecSeqNbr": lambda r: r["n"],
        "ActionDescr": lambda r: labels[r["what"]],
        "SelProfile": lambda r: r["area"],
        "MedicationNm": lambda r: r["entry"],
        "FlowVal": lambda r: r["rate"],
        "FlowUOM": lambda r: None if r["rate"] is None else "mL/hr",
        "DosageAmt": lambda r: r["dose"],
        "DosageUOM": lambda r: None if r["dose"] is None else "mcg/kg/min",
        "PtWghtKg": lambda r: r["weight"],
        "PtLastNm": lambda r: r["name"],
        "MRN": lambda r: r["case"],
    }
    return Dialect(
        "fleet_dump_20260316.txt",
        _table("|", columns).encode(),
        {
            "pump_id": "DevSerialNo", "channel": "ModuleLtr", "device_time": "EvtDtTm",
            "sequence": "RecSeqNbr",
            "kind": "ActionDescr", "care_area": "SelProfile", "entry": "MedicationNm", "rate_ml_h": "FlowVal",
            "dose_value": "DosageAmt", "weight_kg": "PtWghtKg", "patient_key": "MRN",
        },
        {"rate_ml_h": "FlowUOM", "dose_value": "DosageUOM", "weight_kg": "kg"},
        tuple(columns),
        _PEOPLE,
        ("PtLastNm",),
        "QX7 trip",
    )  # fmt: skip


def german() -> Dialect:
    """Semicolons, decimal commas, Windows-1252, compounds."""
    labels = {
        "area": "Bereichsauswahl", "start": "Infusionsbeginn", "rate": "Ratenänderung",
        "limit": "Grenzwert weich",
        "confirm": "Grenzwert übersteuert", "occlusion": "Verschlussalarm", "cleared": "Alarm quittiert",
        "resume": "Wiederaufnahme", "bolus": "Bolus Beginn", "bolus end": "Bolus Ende", "odd": "QX7 Meldg.",
        "stop": "Infusion beendet",
    }  # fmt: skip

    def number(value: float | None) -> str | None:
        return None if value is None else str(value).replace(".", ",")

    columns: dict[str, Callable[[Row], Any]] = {
        "Pumpenkennung": lambda r: r["pump"],
        "Förderkanal": lambda r: r["channel"],
        "Ereigniszeitpunkt": lambda r: r["at"].strftime("%d.%m.%Y %H:%M:%S"),
        "Lfd. Nr.": lambda r: r["n"],
        "Vorgangsart": lambda r: labels[r["what"]],
        "Stationsprofil": lambda r: r["area"],
        "Wirkstoffbez.": lambda r: r["entry"],
        "Flussrate": lambda r: number(r["rate"]),
        "Flusseinheit": lambda r: None if r["rate"] is None else "ml/h",
        "Dosisangabe": lambda r: number(r["dose"]),
        "Dosiseinheit": lambda r: None if r["dose"] is None else "µg/kg/min",
        "Körpergew. [kg]": lambda r: number(r["weight"]),
        "Geb.-Datum": lambda r: datetime.fromisoformat(r["born"]).strftime("%d.%m.%Y"),
        "Patientenname": lambda r: f"{r['name']}, {r['given']}",
        "Fallkennung": lambda r: r["case"],
    }
    return Dialect(
        "Pumpenexport 2026-03.csv",
        _table(";", columns).encode("cp1252"),
        {
            "pump_id": "Pumpenkennung", "channel": "Förderkanal", "device_time": "Ereigniszeitpunkt",
            "sequence": "Lfd. Nr.", "kind": "Vorgangsart", "care_area": "Stationsprofil",
            "entry": "Wirkstoffbez.", "rate_ml_h": "Flussrate", "dose_value": "Dosisangabe",
            "weight_kg": "Körpergew. [kg]", "patient_key": "Fallkennung",
        },
        {"rate_ml_h": "Flusseinheit", "dose_value": "Dosiseinheit", "weight_kg": "kg"},
        tuple(columns),
        _PEOPLE,
        ("Geb.-Datum", "Patientenname"),
        "QX7 Meldg.",
    )  # fmt: skip


def french() -> Dialect:
    """JSON lines; the unit of the rate stands in its header."""
    labels = {
        "area": "secteur choisi", "start": "demarrage perfusion", "rate": "modif. debit",
        "limit": "seuil souple depasse",
        "confirm": "seuil outrepasse", "occlusion": "alarme occlusion", "cleared": "alarme acquittee",
        "resume": "reprise perfusion", "bolus": "debut bolus", "bolus end": "fin bolus", "odd": "cas QX7",
        "stop": "arret perfusion",
    }  # fmt: skip
    labels["limit"] = "alerte seuil souple"
    lines = [
        json.dumps({
            "no_appareil": r["pump"], "voie_perf": r["channel"],
            "horodate": r["at"].isoformat() + "+01:00", "num_seq": r["n"], "lib_evt": labels[r["what"]],
            "secteur_sel": r["area"], "medic": r["entry"], "deb_ml_h": r["rate"], "posol": r["dose"],
            "u_posol": None if r["dose"] is None else "µg/kg/min", "pds_kg": r["weight"],
            "patient": {"nom_usage": r["name"], "naiss": r["born"], "no_dossier": r["case"]},
        }, ensure_ascii=False)
        for r in story()
    ]  # fmt: skip
    return Dialect(
        "journal.jsonl",
        ("\n".join(lines) + "\n").encode(),
        {
            "pump_id": "no_appareil", "channel": "voie_perf", "device_time": "horodate",
            "sequence": "num_seq",
            "kind": "lib_evt", "care_area": "secteur_sel", "entry": "medic", "rate_ml_h": "deb_ml_h",
            "dose_value": "posol", "weight_kg": "pds_kg", "patient_key": "patient.no_dossier",
        },
        {"rate_ml_h": "mL/h", "dose_value": "u_posol", "weight_kg": "kg"},
        (
            "no_appareil", "voie_perf", "horodate", "num_seq", "lib_evt", "secteur_sel", "medic", "deb_ml_h",
            "posol", "u_posol", "pds_kg", "nom_usage", "naiss", "no_dossier",
        ),
        _PEOPLE,
        ("patient.nom_usage", "patient.naiss"),
        "cas QX7",
    )  # fmt: skip


def spanish() -> Dialect:
    """XML; date and time of day apart, years of two digits."""
    labels = {
        "area": "Area elegida", "start": "Inicio infusion", "rate": "Cambio velocidad",
        "limit": "Aviso umbral blando",
        "confirm": "Umbral forzado", "occlusion": "Alarma oclusion", "cleared": "Alarma resuelta",
        "resume": "Reanudada", "bolus": "Bolo inicio", "bolus end": "Bolo fin", "odd": "Suceso QX7",
        "stop": "Parada",
    }  # fmt: skip
    events = []
    for r in story():
        rate = "" if r["rate"] is None else f'<veloc uds="ml/h">{r["rate"]}</veloc>'
        dose = "" if r["dose"] is None else f"<dosif>{r['dose']}</dosif><uds_dosif>mcg/kg/min</uds_dosif>"
        events.append(
            f'<reg corr="{r["n"]}"><cod_bomba>{r["pump"]}</cod_bomba><num_canal>{r["channel"]}</num_canal>'
            f"<fecha_reg>{r['at']:%d/%m/%y}</fecha_reg><hora_reg>{r['at']:%H:%M:%S}</hora_reg>"
            f"<tipo_suceso>{labels[r['what']]}</tipo_suceso><perfil_area>{r['area']}</perfil_area>"
            f"<farm>{r['entry']}</farm>{rate}{dose}<peso_pac_kg>{r['weight']}</peso_pac_kg>"
            f"<apell>{r['name']}</apell><n_hist>{r['case']}</n_hist></reg>"
        )
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n<vuelco><sucesos>'
        + "\n".join(events)
        + "</sucesos></vuelco>\n"
    )
    return Dialect(
        "vuelco-14.xml",
        text.encode(),
        {
            "pump_id": "cod_bomba", "channel": "num_canal", "device_time": "fecha_reg hora_reg",
            "sequence": "corr", "kind": "tipo_suceso", "care_area": "perfil_area", "entry": "farm",
            "rate_ml_h": "veloc", "dose_value": "dosif", "weight_kg": "peso_pac_kg", "patient_key": "n_hist",
        },
        {"rate_ml_h": "veloc/@uds", "dose_value": "uds_dosif", "weight_kg": "kg"},
        (
            "corr", "cod_bomba", "num_canal", "fecha_reg", "hora_reg", "tipo_suceso", "perfil_area", "farm",
            "veloc", "dosif", "uds_dosif", "peso_pac_kg", "apell", "n_hist",
        ),
        _PEOPLE,
        ("apell",),
        "Suceso QX7",
    )  # fmt: skip


DIALECTS: dict[str, Callable[[], Dialect]] = {
    "en": english,
    "de": german,
    "fr": french,
    "es": spanish,
}
