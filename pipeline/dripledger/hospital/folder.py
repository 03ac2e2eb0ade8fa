"""The site folder around the logs: site.toml, mappings, drug libraries and the lists that a person keeps."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from dripledger.hospital import family_a, family_b, family_c, records, warned
from dripledger.hospital.fleet import MODELS
from dripledger.hospital.happenings import ALARM_KINDS, PRIORITIES, STOPPING
from dripledger.hospital.limits import VOLUME_LIMITS_ML, limits_of
from dripledger.hospital.plants import Plan
from dripledger.hospital.scenario import LibraryPlan
from dripledger.hospital.truth import write_rows
from dripledger.hospital.world import World

_FICTION = "# Invented data: no real hospital, person or maker; drug limits are made up and are no advice.\n"


def write_folder(world: World, plan: Plan, root: Path) -> None:
    """Write everything but inbox and truth."""
    root.mkdir(parents=True, exist_ok=True)
    for name in ("sources", "libraries", "inbox", "truth"):
        (root / name).mkdir(exist_ok=True)
    (root / "site.toml").write_text(_site(world), encoding="utf-8")
    (root / "sources" / "family_a.toml").write_text(_mapping_a(), encoding="utf-8")
    (root / "sources" / "family_b.toml").write_text(_mapping_b(), encoding="utf-8")
    (root / "sources" / "family_c.toml").write_text(_mapping_c(), encoding="utf-8")
    for number, version in enumerate(world.scenario.library):
        write_rows(root / "libraries" / f"library_{version.version}.csv", _LIBRARY_HEADER,
                   _library_rows(world, number, version))  # fmt: skip
    _lists(world, plan, root)


def _site(world: World) -> str:
    s = world.scenario
    lines = [
        f"# {s.name}\n", _FICTION, "format = 1\n", f'facility = "{s.facility}"\n',
        f'time_zone = "{s.time_zone}"\n', "\n[people]\n",
        "# The key for pseudonyms follows from this number: good for invented people only.\n",
        f"demo_seed = {s.seed}\n", f'\n[report]\ntitle = "{s.name}: infusion pump safety"\n',
    ]  # fmt: skip
    for area in s.care_area:
        lines.append(f'\n[care_areas."{area.name}"]\naliases = ["{area.code}", "{area.slug}"]\n')
        if area.context != "clinical":
            lines.append(f'context = "{area.context}"\n')
    return "".join(lines)


def _kinds(labels: Sequence[str]) -> str:
    known = [(label, kind) for label, kind in zip(labels, records.KINDS, strict=True) if kind != "other"]
    return "".join(f'"{label}" = "{kind}"\n' for label, kind in known)


def _warn_values(words: dict[str, list[str]]) -> str:
    """Write the tables that turn a family's words about warnings and alarms into ours."""
    ours = {
        "limit_kind": warned.GRADES, "limit_side": warned.SIDES, "limit_quantity": warned.QUANTITIES,
        "decision_logged": warned.ANSWERS, "alarm_priority": PRIORITIES,
    }  # fmt: skip
    return "".join(
        f"[values.{column}]\n"
        + "".join(f'"{said}" = "{meant}"\n' for said, meant in zip(words[column], meanings, strict=True))
        + "\n"
        for column, meanings in ours.items()
    )


def _alarm_table(labels: Sequence[str]) -> str:
    return "[alarms]\n" + "".join(
        f'"{label}" = {{ kind = "{kind}", stops_delivery = {str(i in STOPPING).lower()} }}\n'
        for i, (label, kind) in enumerate(zip(labels, ALARM_KINDS, strict=True))
    )


def _mapping_a() -> str:
    kinds = ", ".join(f'"{k}"' for k in records.KINDS if k not in ("other", "volume_reported"))
    units = "".join(f'"{spelled}" = "{code}"\n' for code, spelled in family_a.UNITS.items())
    return f"""# Family A: one line a record, semicolons, local times, decimal commas.
{_FICTION}pattern = ["family_a/*.csv"]
shape = "delimited"
records = [{kinds}]
sequence_reliable = true

[delimited]
separator = ";"
decimal = ","

[time]
format = "%d.%m.%Y %H:%M:%S"
zone = "site"

[fields] # "Row" is numbered anew by every export and stays out
pump_id = "Device"
sequence = "Count"
device_time = "Clock"
channel = "Ch"
kind = "Event"
care_area = "Area"
entry = "Drug"
concentration_value = "Strength"
concentration_unit = "StrengthUnit"
library_use = "Mode"
rate_ml_h = {{ field = "Rate", unit = "mL/h" }}
dose_value = "Dose"
dose_unit = "DoseUnit"
volume_to_infuse_ml = {{ field = "ToInfuse", unit = "mL" }}
weight_kg = {{ field = "Weight", unit = "kg" }}
patient_key = {{ field = "Patient", personal = "key" }}
library_version = "Library"
limit_kind = "Warn"
limit_side = "Side"
limit_quantity = "On"
limit_value = "Limit"
entered_value = "Tried"
limit_unit = "WarnUnit"
alert_id = "WarnNo"
decision_logged = "Choice"
alarm_label = "Alarm"
alarm_priority = "Grade"

[personal]
mask = ["Name"]

[kinds]
{_kinds(family_a.LABELS)}"{family_a.SIGN_OF_LIFE}" = {{ ignore = "sign of life, carries no event" }}

[values.library_use]
"IN" = "limited"
"OPEN" = "no_limit_entry"
"OUT" = "bypassed"

{_warn_values(family_a.WARN_WORDS)}{_alarm_table(family_a.ALARM_LABELS)}
[units]
{units}"""


def _mapping_b() -> str:
    kinds = ", ".join(f'"{k}"' for k in records.KINDS if k != "other")
    return f"""# Family B: JSON lines, one line a transmission, an array of entries; times carry their offset.
{_FICTION}pattern = ["family_b/*.jsonl"]
shape = "json_lines"
records = [{kinds}]
sequence_reliable = true

[json_lines]
each = "entries"

[time]
format = "iso"
zone = "in_text"

[fields]
pump_id = "pump.id"
library_version = "library"
care_area = "ward"
patient_key = {{ field = "subject.number", personal = "key" }}
sequence = "item.no"
device_time = "item.at"
channel = "item.line"
kind = "item.what"
library_use = "item.use"
entry = "item.drug.name"
concentration_value = "item.drug.strength"
concentration_unit = "item.drug.unit"
rate_ml_h = {{ field = "item.flow", unit = "mL/h" }}
dose_value = "item.dose.value"
dose_unit = "item.dose.unit"
volume_to_infuse_ml = {{ field = "item.target", unit = "mL" }}
volume_delivered_ml = {{ field = "item.given", unit = "mL" }}
volume_scope = "item.scope"
weight_kg = {{ field = "item.weight", unit = "kg" }}
fluid_source = "item.via"
initiator = "item.by"
limit_kind = "item.warning.grade"
limit_side = "item.warning.side"
limit_quantity = "item.warning.of"
limit_value = "item.warning.limit"
entered_value = "item.warning.tried"
limit_unit = "item.warning.unit"
alert_id = "item.warning.no"
decision_logged = "item.warning.answer"
alarm_id = "item.alarm.no"
alarm_label = "item.alarm.name"
alarm_priority = "item.alarm.grade"

[kinds]
{_kinds(family_b.LABELS)}
[values.library_use]
"guarded" = "limited"
"listed" = "no_limit_entry"
"plain" = "bypassed"

[values.volume_scope]
"run" = "infusion"

[values.fluid_source]
"main" = "primary"
"side" = "secondary"

{_warn_values(family_b.WARN_WORDS)}{_alarm_table(family_b.ALARM_LABELS)}"""


def _mapping_c() -> str:
    # what an alarm does to the delivery is the device's affair: its manual says it, the standard does not
    alarms = "".join(
        f'"{name}" = {{ kind = "{kind}", stops_delivery = {str(i in STOPPING).lower()} }}\n'
        for i, (name, kind) in enumerate(zip(family_c.ALARM_NAMES, ALARM_KINDS, strict=True))
        if name
    )
    return f"""# Family C: device messages (HL7 v2) of the open profiles: PCD-10 events and PCD-04 alerts.
# The profile has no event for limit alerts, overrides, rate changes, boluses or power: what needs them is not
# measurable here. Library use is inferred from the care area that a start names.
{_FICTION}pattern = ["family_c/*.hl7"]
shape = "hl7"
canonical = true
records = [
    "infusion_started", "infusion_stopped", "infusion_completed", "kvo_started", "alarm_raised",
    "alarm_updated", "alarm_silenced", "alarm_cleared",
]

[time]
zone = "in_text"

[fields]
patient_key = {{ field = "patient", personal = "key" }}

[alarms]
{alarms}"""


_LIBRARY_HEADER = (
    "version", "published_at", "care_area", "entry", "concentration_value", "concentration_unit",
    "dosing_unit", "quantity", "hard_low", "soft_low", "soft_high", "hard_high", "weight_min_kg",
    "weight_max_kg",
)  # fmt: skip


def _library_rows(world: World, number: int, version: LibraryPlan) -> list[list[str]]:
    s = world.scenario
    entries = {entry.name: entry for entry in s.entry}
    published = world.calendar.iso(world.calendar.instant(f"{version.published.isoformat()}T00:00:00"))
    rows = []
    for area in s.care_area:
        for name in area.entries:
            entry = entries[name]
            for strength in entry.concentrations or (None,):
                what = "" if strength is None else f"{strength:g}"
                head = [version.version, published, area.name, name, what,
                        entry.concentration_unit or "", entry.dosing_unit or ""]  # fmt: skip
                quantity, limits = limits_of(s, entry, strength, area.weight_kg[0], number)
                rows.append([*head, quantity, *limits, "", ""])
                if entry.limits == "volume":
                    rows.append([*head, "volume", "", "", *VOLUME_LIMITS_ML, "", ""])
    return rows


def _lists(world: World, plan: Plan, root: Path) -> None:
    s, fleet, calendar = world.scenario, world.fleet, world.calendar
    begin, end = int(calendar.month_starts[0]), int(calendar.month_starts[-1])
    rows = []
    for i, name in enumerate(fleet.names):
        since = int(fleet.service_from[i])
        until = int(fleet.service_to[i])
        rows.append([
            name, *MODELS[int(fleet.family[i])], s.care_area[int(fleet.home[i])].name,
            calendar.local_text(since)[:10] if since >= begin else "2024-01-15",
            calendar.local_text(until - 86400)[:10] if until < end else "",
        ])  # fmt: skip
    write_rows(
        root / "pumps.csv", ("pump", "model", "type", "home_area", "in_service_from", "in_service_to"), rows
    )
    clock = [fleet.names[fleet.fast], calendar.local_text(fleet.clock_from), s.planted.clock_fast_s]
    write_rows(root / "clocks.csv", ("pump", "from", "offset_s"), [clock])
    stay = [fleet.names[fleet.workshop], *(calendar.local_text(t) for t in plan.workshop), "maintenance"]
    write_rows(root / "service.csv", ("pump", "from", "to", "context"), [stay])
    changes = [[c.date.isoformat(), c.area or "", c.what] for c in sorted(s.change, key=lambda c: c.date)]
    write_rows(root / "changes.csv", ("date", "area", "what"), changes)
    entries = [[e.name, "yes" if e.high_alert else "no", e.code] for e in s.entry]
    write_rows(root / "entries.csv", ("entry", "high_alert", "aliases"), entries)
