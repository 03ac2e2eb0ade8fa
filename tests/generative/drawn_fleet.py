"""The logs of a small fleet over six weeks, drawn from a seed, with all that measures count."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.generative.awkward_logs import blank

Row = dict[str, Any]

AREAS = ("Adult intensive care", "Labour ward", "Workshop")
CONTEXTS = {"Workshop": "maintenance"}
ENTRIES = ("heparin", "insulin", "saline")
MODELS = ("Alder", "Birch")
DELIVERY_ALARMS = ("occlusion", "air_in_line", "door_open", "near_end")
PUMP_ALARMS = ("low_battery", "fault")


class Pump:
    """One pump whose log grows row by row."""

    def __init__(self, name: str, rng: random.Random, model: str) -> None:
        self.name, self.rng, self.model = name, rng, model
        self.at = datetime(2026, 9, 24, tzinfo=UTC) + timedelta(minutes=rng.randrange(4000))
        self.rows: list[Row] = []

    def log(self, kind: str, channel: str = "A", after_s: int = 0, **values: Any) -> None:
        """Log one event so many seconds later."""
        self.at += timedelta(seconds=after_s)
        row = blank(len(self.rows), self.at, kind, channel)
        row |= {
            "event_id": f"{self.name}-{len(self.rows):05}",
            "pump_id": self.name,
            "sequence": len(self.rows),
        }
        self.rows.append(
            row | {"sequence_reliable": True, "pump_model": self.model, "pump_type": "syringe"} | values
        )

    def session(self, version: str) -> None:
        """Switch on, run some infusions, and switch off, or lose the power-off."""
        rng = self.rng
        self.log("powered_on", "", rng.randrange(60, 200_000), library_version=version)
        if rng.random() < 0.9:
            self.log("care_area_selected", "", 20, care_area=rng.choice((*AREAS[:2], *AREAS)))
        if rng.random() < 0.5:
            self.log("patient_changed", "", 5)
        for _ in range(rng.randrange(1, 4)):
            self.infusion(rng.choice("AAB"))
        self.log("key_pressed", "", 400)
        if rng.random() < 0.85:
            self.log("powered_off", "", 30)

    def warned(self, channel: str) -> None:
        """Log a soft or hard limit alert on a rate far or near over 20 mL/h."""
        rng, kind = self.rng, self.rng.choice(("soft", "soft", "hard"))
        self.log(
            "limit_alerted", channel, rng.randrange(5, 900), limit_kind=kind, limit_side="high",
            limit_quantity="flow_rate", limit_value=20.0 if kind == "soft" else 200.0, limit_unit="mL/h",
            entered_value=rng.choice((30.0, 44.0, 300.0)) if kind == "soft" else 300.0, entry="heparin",
        )  # fmt: skip

    def infusion(self, channel: str) -> None:
        """Start, meet what comes, and end."""
        rng = self.rng
        use = rng.choice(("limited", "limited", "limited", "no_limit_entry", "bypassed", None, "unknown"))
        entry, rate = (None if use == "bypassed" else rng.choice(ENTRIES)), rng.choice((2.0, 5.0, 18.0))
        if use in ("limited", "unknown") and rng.random() < 0.5:
            self.warned(channel)
            entry, answer = "heparin", rng.random()
            if answer < 0.4:
                rate = rng.choice((30.0, 44.0, 100.0, 240.0))
                self.log("limit_overridden", channel, rng.choice((1, 2, 3, 4, 20)))
            elif answer < 0.55:
                use, entry = "bypassed", None
            elif answer < 0.65:
                self.log("attempt_cancelled", channel, 9)
                return
            elif answer < 0.8:
                self.log("reprogrammed_within_limits", channel, 12)
        start = {"library_use": use, "entry": entry, "rate_ml_h": rate, "volume_to_infuse_ml": 5000.0}
        self.log("infusion_started", channel, rng.choice((0, 2, 40)), **start)
        for _ in range(rng.choice((0, 1, 2, 5))):
            self.log("volume_reported", channel, rng.choice((10, 900, 20_000)))
            self.meet(channel, start)
        end = rng.random()
        self.log("key_pressed", channel, rng.choice((5, 600, 9_000, 90_000)))
        if end < 0.6:
            self.log("infusion_stopped", channel)
        elif end < 0.8:
            self.log("infusion_completed", channel)
            self.log("kvo_started", channel, 3, rate_ml_h=1.0)
            self.log("infusion_stopped", channel, rng.choice((30, 4_000)))
        elif end < 0.9:
            self.log("infusion_paused", channel)

    def meet(self, channel: str, start: Row) -> None:
        """Let one thing happen to a running infusion."""
        rng, what = self.rng, self.rng.randrange(8)
        if what == 0:
            self.log("rate_changed", channel, 3, rate_ml_h=rng.choice((1.0, 6.0, 12.0)),
                     initiator=rng.choice((None, "user", "pump", "order")))  # fmt: skip
        elif what == 1 and start["library_use"] in ("limited", "unknown"):
            self.warned(channel)
            rate = rng.choice((12.0, 30.0, 120.0))
            if rate > 20 and rng.random() < 0.8:
                self.log("limit_overridden", channel, rng.choice((1, 3, 9)))
            self.log("rate_changed", channel, rng.choice((0, 15, 700)), rate_ml_h=rate)
        elif what == 2:
            self.log("bolus_started", channel, 4, rate_ml_h=60.0)
            self.log("bolus_ended", channel, 90)
        elif what == 3:
            self.log("infusion_paused", channel, 8)
            self.log("infusion_resumed", channel, rng.choice((60, 5_000)))
        elif what in (4, 5):
            kind, stops = rng.choice(DELIVERY_ALARMS), rng.random() < 0.5
            self.log(
                "alarm_raised", rng.choice((channel, channel, "")), 7, alarm_kind=kind, stops_delivery=stops
            )
            if rng.random() < 0.5:
                self.log("alarm_raised", "", 20, alarm_kind=rng.choice(PUMP_ALARMS), stops_delivery=False)
            if rng.random() < 0.8:
                self.log("alarm_cleared", channel, rng.choice((5, 130, 1_500)), alarm_kind=kind)
            if stops:
                self.log("infusion_resumed", channel, rng.choice((4, 300)))
        elif what == 6:
            self.log("infusion_stopped", channel, 5)
            self.log("infusion_started", channel, rng.choice((0, 2, 3, 60, 899, 901)), **start)
        elif what == 7:
            self.log("alarm_raised", "", 11, alarm_kind=rng.choice(PUMP_ALARMS), stops_delivery=False)
            self.log("alarm_cleared", "", rng.choice((9, 3_000)))


def drawn(seed: int, pumps: int = 8) -> list[Row]:
    """Draw the logs of a small fleet over six weeks and the end of summer time."""
    rows: list[Row] = []
    for number in range(pumps):
        rng = random.Random(f"{seed}-{number}")
        pump = Pump(f"P{number}", rng, MODELS[number % 2])
        installed = datetime(2026, 10, rng.randrange(2, 28), tzinfo=UTC)
        while pump.at < datetime(2026, 11, 6, tzinfo=UTC):
            pump.session("2" if pump.at > installed else "1")
        rows += pump.rows
    return rows


def libraries() -> list[Row]:
    """Heparin has a hard high limit on the rate in one area, insulin a soft one, saline one on volume."""
    found = []
    for version in ("1", "2"):
        for area in AREAS:
            hard = "50" if area == AREAS[0] or version == "2" else "-"
            found += [
                {"entry": "heparin", "limit_quantity": "flow_rate", "soft_high": "20", "hard_high": hard},
                {"entry": "insulin", "limit_quantity": "flow_rate", "soft_high": "9"},
                {"entry": "saline", "limit_quantity": "volume", "hard_high": "900"},
            ]
            for row in found[-3:]:
                row |= {"library_version": version, "care_area": area}
    return found
