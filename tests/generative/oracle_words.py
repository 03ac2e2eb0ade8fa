"""What the oracle's parts share: a log's words, the windows, an infusion while it is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

Event = Mapping[str, Any]

SECOND_US = 1_000_000
HOUR_US = 3600 * SECOND_US
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

STARTS = {"infusion_started", "infusion_resumed"}
#: What proves that the channel runs (or ran until now), by kind alone (2).
PROOFS = STARTS | {
    "rate_changed", "programme_changed", "bolus_started", "bolus_ended", "infusion_paused",
    "infusion_stopped", "infusion_completed", "kvo_started", "dose_cycle_started", "dose_cycle_ended",
}  # fmt: skip
ENDS = {
    "infusion_stopped",
    "infusion_completed",
    "infusion_paused",
    "powered_off",
    "power_lost",
    "powered_on",
}
#: Rows that tell what somebody tried or ordered, not what is in force.
PROPOSALS = {
    "limit_alerted", "limit_overridden", "reprogrammed_within_limits", "attempt_cancelled",
    "library_received", "order_received", "order_accepted", "order_rejected",
}  # fmt: skip
DELIVERING = {"running", "bolus", "keep_open"}
RUNS = {"running", "bolus"}
#: States that end with a window (6, 17).
HALTED = {"paused", "stopped_by_alarm", "standby"}


@dataclass(frozen=True)
class Rules:
    """The windows of the rules in microseconds."""

    after_stop: int = 900 * SECOND_US
    after_pause: int = 3600 * SECOND_US
    no_gap: int = 2 * SECOND_US
    keep_open_wait: int = 60 * SECOND_US
    false_start: int = 30 * SECOND_US


def micros(moment: datetime) -> int:
    """Microseconds since 1970, exact."""
    return (moment - _EPOCH) // timedelta(microseconds=1)


def moment(value_us: int | None) -> datetime | None:
    """The instant of a number of microseconds since 1970."""
    return None if value_us is None else _EPOCH + timedelta(microseconds=value_us)


def exact(value: float | int | Decimal | None) -> Fraction | None:
    """A logged number as the fraction that its shortest decimal form stands for."""
    return None if value is None else Fraction(repr(value) if isinstance(value, float) else str(value))


@dataclass(frozen=True)
class Programme:
    """What somebody confirmed at the channel."""

    library_use: str | None = None
    known_use: str | None = None  # the last one that was told, and not as unknown
    entry: str | None = None
    concentration_value: float | None = None
    concentration_unit: str | None = None
    dose_value: float | None = None
    dose_unit: str | None = None
    fluid_source: str | None = None

    def bare(self) -> Programme:
        """What is left of it where entry, concentration and dose are cleared."""
        return Programme(
            library_use=self.library_use, known_use=self.known_use, fluid_source=self.fluid_source
        )

    @property
    def concentration(self) -> tuple[float, str | None] | None:
        return (
            None if self.concentration_value is None else (self.concentration_value, self.concentration_unit)
        )


@dataclass(frozen=True)
class Place:
    """What is in force beside the programme."""

    care_area: str | None = None
    library_version: str | None = None
    weight_kg: float | None = None
    patient_key: str | None = None


@dataclass(frozen=True)
class Line:
    """What is in force on one line of a channel: the secondary's, or the other one's."""

    programme: Programme = Programme()
    rate: Fraction | None = None
    amount_rate: tuple[Fraction, str] | None = None
    strength: tuple[Fraction, str] | None = None


@dataclass
class Piece:
    """The stretch between two neighbouring events of the pump, as one infusion sees it."""

    index: int  # of the event that it begins with
    begin: int
    end: int
    state: str
    rate: Fraction | None
    amount_rate: tuple[Fraction, str] | None  # per hour, with its unit: dose-only programmes
    programme: Programme
    place: Place


@dataclass
class Infusion:
    """One programmed delivery while it is being read."""

    infusion_id: str
    first: Event
    started_at: int
    start_kind: str
    programme: Programme  # as it last ran
    place: Place  # as it last ran
    at_start: tuple[Programme, Place]
    continues: str | None = None
    pieces: list[Piece] = field(default_factory=list)
    end_kind: str = "open"
    ended_at: int | None = None
    rate_changes: int = 0
    doubtful: bool = False
    end_doubt: bool = False  # its end stands in the repeated hour
    basal_rate: Fraction | None = None  # the last rate that it ran at
    parts: int = 0
    clears: int = 0
    changes: int = 0  # changes of rate or programme
    readings: list[tuple[str, Fraction, int, int, int, int]] = field(
        default_factory=list
    )  # scope, ml, part, clear, at, change
