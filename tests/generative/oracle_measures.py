"""Every measure worked out plainly, from what the domain says of it; the queries were not looked at.

Infusions, attempts and alarms are read by the slow oracles beside this file, the rest from the events
themselves. The number at a branch is the ruling that it follows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from tests.generative import oracle
from tests.generative.drawn_fleet import CONTEXTS, DELIVERY_ALARMS, PUMP_ALARMS, libraries
from tests.generative.oracle_alarms import rebuild_second_half

Row = dict[str, Any]
#: (measure, month, care area) -> numerator, denominator.
Found = dict[tuple[str, str, str], list[float]]

ZONE = ZoneInfo("Europe/Lisbon")
RUNS = ("running", "bolus")
WEEK = timedelta(days=7)


def month_of(at: datetime) -> str:
    """The site's local calendar month."""
    return at.astimezone(ZONE).strftime("%Y-%m")


def split(begin: datetime, end: datetime) -> Iterator[tuple[str, float]]:
    """Cut a stretch at the local midnight of each month's first; hours that truly elapsed."""
    while begin < end:
        local = begin.astimezone(ZONE)
        first = datetime(local.year + local.month // 12, local.month % 12 + 1, 1, tzinfo=ZONE).astimezone(UTC)
        until = min(first, end)
        yield month_of(begin), (until - begin).total_seconds() / 3600
        begin = until


class Plain:
    """Counts every measure from events and what the slow oracles made of them."""

    def __init__(self, events: Sequence[Row]) -> None:
        self.events = events
        self.segments, self.infusions = oracle.rebuild(events, contexts=CONTEXTS)
        read = rebuild_second_half(events, self.segments, self.infusions)
        self.attempts, self.alarms, self.programmings = (
            [row for row in read[name] if self.counts(row)] for name in ("attempts", "alarms", "programmings")
        )
        self.by_id = {i["infusion_id"]: i for i in self.infusions}
        self.model = {e["pump_id"]: e["pump_model"] for e in events}
        self.found: Found = defaultdict(lambda: [0.0, 0.0])

    @staticmethod
    def counts(row: Row) -> bool:
        """Only clinical and unknown use count."""
        return CONTEXTS.get(row["care_area"] or "") is None

    def add(self, measure: str, month: str, area: str | None, hit: float, base: float) -> None:
        """Add to a numerator and a denominator; no care area is a group of its own."""
        cell = self.found[measure, month, "none selected" if area is None else area]
        cell[0] += hit
        cell[1] += base

    def share(self, measure: str, at: datetime, area: str | None, hit: bool) -> None:
        """Count one case."""
        self.add(measure, month_of(at), area, float(hit), 1.0)

    def all(self) -> Found:
        self.starts()
        self.hours()
        self.limits()
        self.changes()
        self.interruptions()
        self.pumps()
        return self.found

    def starts(self) -> None:
        available: dict[tuple[str, str], datetime] = {}
        for e in self.events:
            if e["library_version"]:
                key = e["pump_model"], e["library_version"]
                available[key] = min(available.get(key, e["occurred_at"]), e["occurred_at"])
        protecting = {
            (r["library_version"], r["care_area"], r["entry"])
            for r in libraries()
            if r["limit_quantity"] in ("flow_rate", "dose_rate") and r.get("hard_high", "-") != "-"
        }
        for i in self.infusions:
            if i["false_start"] or i["start_kind"] in ("missing", "patient_change"):
                continue
            if i["use_context"] == "maintenance":
                continue
            at, area, use = i["started_at"], i["care_area"], i["library_use"]
            if use is not None:
                inside = use in ("limited", "no_limit_entry")
                self.share("library_use_starts", at, area, inside)
                # under an entry without limits none is in force; without an area none can be looked up
                limits = (i["library_version"], area, i["entry"])
                if use != "limited" or area is not None:
                    self.share("protected_share", at, area, use == "limited" and limits in protecting)
            if i["library_version"] is not None:
                model, own = (
                    self.model[i["pump_id"]],
                    available[self.model[i["pump_id"]], i["library_version"]],
                )
                newer = [t for (m, _), t in available.items() if m == model and t > own]
                self.share("stale_library_share", at, area, any(at - t > WEEK for t in newer))

    def hours(self) -> None:
        for s in self.segments:
            if self.by_id[s["infusion_id"]]["use_context"] == "maintenance":
                continue
            for month, hours in split(s["started_at"], s["ended_at"]):
                if s["state"] in RUNS:
                    if s["library_use"] is not None:
                        inside = s["library_use"] in ("limited", "no_limit_entry")
                        self.add("library_use_hours", month, s["care_area"], hours * inside, hours)
                    for measure in ("delivery_alarm_rate", "delivery_lost", "user_rate_changes"):
                        self.add(measure, month, s["care_area"], 0, hours)
                elif s["state"] == "stopped_by_alarm":
                    self.add("delivery_lost", month, s["care_area"], hours * 60, 0)

    def limits(self) -> None:
        attempts = {a["attempt_id"]: a for a in self.attempts}
        for p in self.programmings:
            use = self.by_id.get(p["infusion_id"] or "", {"library_use": "none"})["library_use"]
            if use is None and (p["phase"] == "start" or p["programming_id"] == p["attempt_id"]):
                continue  # 45: left out of both sides, whatever warned
            attempt = attempts.get(p["attempt_id"], {"met_soft": False, "met_hard": False})
            for kind in ("soft", "hard"):
                self.share(f"{kind}_alert_share", p["at"], p["care_area"], attempt[f"met_{kind}"])
        first: dict[str, Row] = {}
        overridden = set()
        for a in sorted(self.attempts, key=lambda a: (a["first_alert_at"], a["attempt_id"])):
            at, area, outcome = a["first_alert_at"], a["care_area"], a["outcome"]
            over = outcome == "overridden"
            for kind in ("soft", "hard"):
                if a[f"met_{kind}"]:
                    for name in (
                        "overridden",
                        "within_limits",
                        "left_library",
                        "unchanged",
                        "cancelled",
                        "unknown",
                    ):
                        self.share(f"outcomes_{kind}_{name}", at, area, outcome == name)
            if outcome != "unknown":
                self.share("left_library_share", at, area, outcome == "left_library")
                if a["met_soft"]:
                    self.share("override_share", at, area, over)
            if over:
                fast = a["decided_at"] - a["last_alert_at"] <= timedelta(seconds=3)
                self.share("override_under_3s_share", at, area, fast)
                if a["limit_multiple"] is not None:
                    times = round(a["limit_multiple"], 5)
                    for measure, least in (
                        ("far_overrides", 2),
                        ("far_overrides_5x", 5),
                        ("far_overrides_10x", 10),
                    ):
                        self.share(measure, at, area, times >= least)
            infusion = self.by_id.get(a["infusion_id"] or "", {"library_use": None})
            if a["met_soft"] and infusion["library_use"] in ("limited", "no_limit_entry"):
                first.setdefault(a["infusion_id"], a)
                if over:
                    overridden.add(a["infusion_id"])
        for name, a in first.items():
            self.share("infusion_override_share", a["first_alert_at"], a["care_area"], name in overridden)

    def changes(self) -> None:
        by_others = {
            (e["pump_id"], e["channel"], e["occurred_at"])
            for e in self.events
            if e["initiator"] in ("pump", "order")
        }
        told = {
            (e["pump_id"], e["channel"], e["occurred_at"]): e["rate_ml_h"]
            for e in self.events
            if e["kind"] == "rate_changed"
        }
        paused = {
            (e["pump_id"], e["channel"], e["occurred_at"])
            for e in self.events
            if e["kind"] == "infusion_paused"
        }
        own: dict[str, list[Row]] = defaultdict(list)
        for s in sorted(self.segments, key=lambda s: (s["started_at"], s["ended_at"])):
            gap = (s["ended_at"] - s["started_at"]).total_seconds()
            if s["state"] != "paused" or gap > 2:
                own[s["infusion_id"]].append(s)
        for name, parts in own.items():
            if self.by_id[name]["use_context"] == "maintenance":
                continue
            for a, b in pairwise(parts):
                place = b["pump_id"], b["channel"], b["started_at"]
                # a change after which the log falls silent was one all the same, though nobody knows what ran
                rate = b["rate_ml_h"] if b["state"] == "running" else told.get(place)
                if (
                    a["state"] == "running"
                    and b["state"] in ("running", "unknown")
                    and rate is not None
                    and a["rate_ml_h"] != rate
                    and (b["started_at"] - a["ended_at"]).total_seconds() <= 2
                    and place not in by_others
                    # what was paused is resumed, however soon (24)
                    and not any((*place[:2], at) in paused for at in (a["ended_at"], b["started_at"]))
                ):
                    self.add("user_rate_changes", month_of(b["started_at"]), b["care_area"], 1, 0)

    def interruptions(self) -> None:
        for a in self.alarms:
            at, pump = a["raised_at"], a["pump_id"]
            if a["alarm_kind"] in DELIVERY_ALARMS:
                ran = any(
                    s["pump_id"] == pump
                    and a["channel"] in ("", s["channel"])
                    and s["started_at"] < at <= s["ended_at"]
                    and s["state"] in (*RUNS, "keep_open")
                    for s in self.segments
                )
                if ran:
                    self.add("delivery_alarm_rate", month_of(at), a["care_area"], 1, 0)
            elif a["alarm_kind"] in PUMP_ALARMS:
                self.add("pump_alarm_rate", month_of(at), "", 1, 0)
        reached: dict[str, datetime] = {}
        for a in sorted(self.alarms, key=lambda a: (a["raised_at"], a["alarm_id"])):
            begin = max(a["raised_at"], reached.get(a["pump_id"], a["raised_at"]))
            for month, hours in split(begin, a["ended_at"]):
                self.add("alarm_minutes", month, "", hours * 60, 0)
            reached[a["pump_id"]] = max(begin, a["ended_at"])

    def pumps(self) -> None:
        """Powered-on time: between the events of a pump that is on; up to a second power-on nobody knows."""
        logs: dict[str, list[Row]] = defaultdict(list)
        for e in self.events:
            logs[e["pump_id"]].append(e)
        for log in logs.values():
            area: str | None = None
            for e, after in pairwise(log):
                area = None if e["kind"] in ("powered_off", "powered_on") else e["care_area"] or area
                if e["kind"] == "powered_off" or after["kind"] == "powered_on":
                    continue
                if CONTEXTS.get(area or "") is None:
                    for month, hours in split(e["occurred_at"], after["occurred_at"]):
                        for measure in ("pump_alarm_rate", "alarm_minutes"):
                            self.add(measure, month, "", 0, hours)
