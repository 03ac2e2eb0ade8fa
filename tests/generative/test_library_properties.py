"""A log without faults, written by a pump that holds every value against its library, and replays of it."""

from __future__ import annotations

from dataclasses import replace as with_values
from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from tests.library_samples import connection_of, limit_row
from tests.spec.drawn import events_of

from dripledger.library.replay import replay
from dripledger.library.rows import LIMITS, LimitRow

_BEGIN = datetime(2026, 3, 2, 6, tzinfo=UTC)
_ENTRIES = ("fluid", "heparin", "dopamine")
_WEIGHT_KG = 50.0
#: Entry -> quantity, limit unit, concentration, and what 1 mL/h comes to in that unit.
_DOSED: dict[str, tuple[str, str | None, str | None, float | None, str | None, float]] = {
    "fluid": ("flow_rate", "mL/h", None, None, None, 1.0),
    "heparin": ("dose_rate", "[IU]/h", "[IU]/h", 100.0, "[IU]/mL", 100.0),
    # 2 mg/mL: 1 mL/h is 2000 ug / 60 min / 50 kg
    "dopamine": ("dose_rate", "ug/kg/min", "ug/kg/min", 2.0, "mg/mL", 2000 / 60 / _WEIGHT_KG),
}
_RATES = st.sampled_from([0.5, 1.0, 2.0, 5.0, 9.5, 10.0, 20.0, 21.0, 35.0, 50.0, 64.0, 100.0, 990.0])
#: What a user does: start or change, the values that are tried, and whether a soft warning is confirmed past.
_ACTIONS = st.tuples(
    st.sampled_from(["start", "change", "stop"]),
    st.sampled_from(_ENTRIES),
    st.lists(st.tuples(_RATES, st.booleans()), min_size=1, max_size=4),
    st.sampled_from([5, 40]),
)
# many pumps in few examples: a replay of one pump takes as long as one of ten
_LOGS = st.lists(st.lists(_ACTIONS, min_size=1, max_size=8), min_size=4, max_size=12)


@st.composite
def _libraries(draw: st.DrawFn) -> list[LimitRow]:
    """One row an entry, with some of its four limits in order; no limit where any would be far off."""
    rows = []
    for number, entry in enumerate(_ENTRIES, start=2):
        quantity, _, dosing, strength, unit, per_ml_h = _DOSED[entry]
        values = sorted(draw(st.lists(_RATES, min_size=4, max_size=4)))
        limits = {
            name: float(f"{value * per_ml_h:.4g}")
            for name, value in zip(LIMITS, values, strict=True)
            if draw(st.booleans())
        }
        rows.append(
            limit_row(number=number, entry=entry, quantity=quantity, dosing_unit=dosing,
                      concentration_value=strength, concentration_unit=unit, **limits)
        )  # fmt: skip
    return rows


class _Pump:
    """A pump that warns by its library and logs what it does."""

    def __init__(self, name: str, rows: list[LimitRow], events: list[dict[str, Any]]) -> None:
        self.name, self.rows, self.events = name, {row.entry: row for row in rows}, events
        self.now, self.sequence = _BEGIN, 0
        self.entry: str | None = None
        self.alerts: list[tuple[str, str]] = []

    def log(self, kind: str, **values: Any) -> None:
        self.sequence += 1
        self.now += timedelta(seconds=7)
        (event,) = events_of("at | kind\n00:00:00 | key_pressed")
        event |= {"event_id": f"{self.name}-{self.sequence:04}", "kind": kind, "pump_id": self.name,
                  "occurred_at": self.now, "device_time": self.now.replace(tzinfo=None), "care_area": "ICU",
                  "sequence": self.sequence, "sequence_reliable": True, "month": "2026-03"}  # fmt: skip
        self.events.append(event | values)

    def verdict(self, entry: str, rate: float) -> tuple[str, str, float] | None:
        row, value = self.rows[entry], float(f"{rate * _DOSED[entry][5]:.5e}")
        for kind in ("hard", "soft"):
            high, low = getattr(row, f"{kind}_high"), getattr(row, f"{kind}_low")
            if high is not None and value > high:
                return kind, "high", high
            if low is not None and value < low:
                return kind, "low", low
        return None

    def programme(self, kind: str, entry: str, tries: list[tuple[float, bool]]) -> bool:
        """Try values until one is confirmed; give up after the last. Returns whether one was."""
        quantity, unit, _, strength, strength_unit, per_ml_h = _DOSED[entry]
        programme = {"entry": entry, "library_use": "limited", "concentration_value": strength,
                     "concentration_unit": strength_unit, "weight_kg": _WEIGHT_KG}  # fmt: skip
        warned = False
        for rate, confirms in tries:
            found = self.verdict(entry, rate)
            if found is not None:
                warned = True
                limit = {"limit_kind": found[0], "limit_side": found[1], "limit_quantity": quantity,
                         "limit_value": found[2], "entered_value": rate * per_ml_h,
                         "limit_unit": unit, "entry": entry}  # fmt: skip
                self.log("limit_alerted", **limit)
                self.alerts.append(found[:2])
                if found[0] == "hard" or not confirms:
                    continue
                self.log("limit_overridden", **limit)
            self.log(kind, rate_ml_h=rate, **programme)
            return True
        if warned:
            self.log("attempt_cancelled", entry=entry)
        return False

    def act(self, action: str, entry: str, tries: list[tuple[float, bool]], minutes: int) -> None:
        self.now += timedelta(minutes=minutes)
        if action == "stop" and self.entry is not None:
            self.log("infusion_stopped")
            self.entry = None
        elif action == "change" and self.entry is not None:
            self.programme("rate_changed", self.entry, tries)
        elif action == "start" and self.entry is None and self.programme("infusion_started", entry, tries):
            self.entry = entry


def _written(log: Any, rows: list[LimitRow]) -> tuple[list[dict[str, Any]], list[tuple[str, str]]]:
    events: list[dict[str, Any]] = []
    alerts: list[tuple[str, str]] = []
    for number, actions in enumerate(log):
        pump = _Pump(f"P{number}", rows, events)
        pump.log("powered_on")
        for action in actions:
            pump.act(*action)
        alerts += pump.alerts
    return events, sorted(alerts)


# no shrinking: each example rebuilds a log, and a failing one is short enough to read
_FEW = settings(
    max_examples=3, deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)


@_FEW
@given(_LOGS, _libraries())
def test_the_library_in_force_gives_back_exactly_the_logged_alerts(log: Any, rows: list[LimitRow]) -> None:
    events, alerts = _written(log, rows)
    con = connection_of(events)
    found = replay(con, rows).compared.to_pylist()
    con.close()
    logged = [row for row in found if row["origin"] == "alert"]
    assert sorted(tuple(row["verdict"].split()) for row in logged) == alerts
    assert [row for row in found if row["change"] not in ("stays", "nothing")] == []
    assert [row for row in found if row["origin"] == "confirmed" and row["would_be_blocked"]] == []


@st.composite
def _loosened(draw: st.DrawFn, rows: list[LimitRow]) -> list[LimitRow]:
    """Move each limit outwards or take it away; the order of the four stays."""
    out = []
    for row in rows:
        lower, upper = draw(st.sampled_from([1.0, 0.9, 0.2])), draw(st.sampled_from([1.0, 1.1, 4.0]))
        limits = {
            name: None if draw(st.integers(0, 4)) == 0 else value * (upper if "high" in name else lower)
            for name, value in row.limits.items()
        }
        out.append(with_values(row, **limits))
    return out


@_FEW
@given(st.data(), _LOGS, _libraries(), _libraries())
def test_loosening_a_limit_never_adds_an_alert(
    data: st.DataObject, log: Any, rows: list[LimitRow], proposal: list[LimitRow]
) -> None:
    """Whatever is proposed: its looser form warns about nothing that it does not warn about itself."""
    looser = data.draw(_loosened(proposal))
    con = connection_of(_written(log, rows)[0])

    def warned(library: list[LimitRow]) -> tuple[set[str], set[str]]:
        found = replay(con, library).compared.to_pylist()
        return (
            {row["value_key"] for row in found if row["verdict"].startswith(("soft", "hard"))},
            {row["value_key"] for row in found if row["change"] == "new"},
        )

    before, after = warned(proposal), warned(looser)
    # and the loosened library that was in force adds nothing to the log
    own = warned(data.draw(_loosened(rows)))
    con.close()
    assert after[0] <= before[0]
    assert after[1] <= before[1]
    assert own[1] == set()
