"""Labels are filed where their words say so, and only there: filed wrongly is worse than left open."""

from __future__ import annotations

import pytest

from dripledger.drafting.labels import alarm_of, kind_of
from dripledger.drafting.words import label_rules
from dripledger.schema import EVENT_KINDS
from dripledger.schema.codes import ALARM_KINDS


@pytest.mark.parametrize(
    ("label", "kind"),
    [
        ("START", "infusion_started"), ("Infusion started by user", "infusion_started"),
        ("Infusionsende", "infusion_stopped"), ("Arrêt perfusion", "infusion_stopped"),
        ("Bolus démarré", "bolus_started"), ("Fin de bolus", "bolus_ended"), ("KVO start", "kvo_started"),
        ("Alarm: Occlusion", "alarm_raised"), ("Alarm cleared", "alarm_cleared"),
        ("Alarma silenciada", "alarm_silenced"), ("Tür offen", "door_opened"),
        ("Soft limit exceeded", "limit_alerted"), ("Limit confirmed", "limit_overridden"),
        ("Power on", "powered_on"), ("Ausgeschaltet", "powered_off"), ("Nuevo paciente", "patient_changed"),
        ("Heartbeat", "heartbeat"), ("Dose changed", "rate_changed"), ("Pump paused", "infusion_paused"),
        ("Rate chg", "rate_changed"), ("Limit warn", "limit_alerted"),
        ("Limit warn accepted", "limit_overridden"),
    ],
)  # fmt: skip
def test_said_clearly(label: str, kind: str) -> None:
    assert kind_of(label) == kind


@pytest.mark.parametrize(
    "label",
    [
        "Self test started", "Alarm over", "Alarm-up", "Light off", "Bolus cancelled", "Hors tension",
        "Alarm confirmed", "Warn accepted", "Battery chg", "Limit", "QX7", "Call stopped", "Session end",
        "Override rejected", "Limit override denied", "Soft limit not overridden", "Override cancelled",
        "Dose limit override cancelled", "Limit not exceeded", "Bolus refused", "Bolus abgelehnt",
        "Alarm not cleared", "Infusion start cancelled", "Grenze nicht übersteuert", "Menu key help",
        "Cancel", "Confirm", "Library", "42", "",
    ],
)  # fmt: skip
def test_left_for_a_person(label: str) -> None:
    assert kind_of(label) is None


@pytest.mark.parametrize(
    ("label", "kind"),
    [("Batería baja", "low_battery"), ("Akku leer", "battery_empty"), ("Air in line", "air_in_line"),
     ("Near end of infusion", "near_end"), ("Verschluss", "occlusion"), ("PRESSURE", None)],
)  # fmt: skip
def test_alarms(label: str, kind: str | None) -> None:
    assert alarm_of(label) == kind


def test_rules_name_kinds_and_stems_that_exist() -> None:
    rules = label_rules()
    for table, known in (("kinds", {*EVENT_KINDS, "heartbeat"}), ("alarms", set(ALARM_KINDS))):
        for rule in rules[table]:
            assert rule["kind"] in known
            for group in [*rule["all"], *rule.get("none", [])]:
                assert set(group.split()) <= set(rules["stems"])
