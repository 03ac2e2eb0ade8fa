"""The plain parts of a trace: infusions, stretches and alarms."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Infusion:
    """One infusion of the trace, numbered from 1, with what it pumped as a whole."""

    number: int
    channel: str
    started_at: datetime
    ended_at: datetime | None
    start_kind: str
    end_kind: str
    entry: str | None
    care_area: str | None
    library_use: str | None
    library_version: str | None
    running_hours: float | None
    volume_ml: float | None
    volume_keep_open_ml: float | None
    volume_reported_ml: float | None
    amount: float | None
    amount_unit: str | None
    uncertain: bool
    false_start: bool
    limits: str
    infusion_id: str


@dataclass(frozen=True)
class Stretch:
    """One stretch of one channel, for the figure and the table of rates.

    `clock_run` counts how often the pump's clock had been set back: the same times may stand in two runs.
    """

    channel: str
    started_at: datetime
    ended_at: datetime
    state: str
    rate_ml_h: float | None
    dose: float | None
    dose_unit: str | None
    volume_ml: float | None
    entry: str | None
    clock_run: int = 0


@dataclass(frozen=True)
class AlarmSpan:
    """One alarm, for the figure and the table of alarms."""

    channel: str
    raised_at: datetime
    silenced_at: datetime | None
    cleared_at: datetime | None
    ended_at: datetime | None
    kind: str
    priority: str | None
    stopped_delivery: bool | None
    seconds: float | None
