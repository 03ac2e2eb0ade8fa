"""A scenario: the declaration from which an invented hospital is generated."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError, model_validator

from dripledger.errors import ConfigurationError, UsageError
from dripledger.site import Strict, explain, read_toml

_Share = Annotated[float, Field(ge=0, le=1)]
_Count = Annotated[int, Field(ge=0, le=1000)]

#: Fewer pumps cannot hold one of everything that is planted.
FEWEST_PUMPS = 8
FEWEST_MONTHS = 2


class Window(Strict):
    """The months that the logs cover."""

    last_month: Annotated[str, Field(pattern=r"^\d{4}-(0[1-9]|1[0-2])$")]
    months: Annotated[int, Field(ge=FEWEST_MONTHS, le=240)]
    extra_days: Annotated[int, Field(ge=1, le=27)]


class FleetPlan(Strict):
    """How many pumps, and how they are used."""

    pumps: Annotated[int, Field(ge=FEWEST_PUMPS, le=5000)]
    family_b_share: _Share
    family_c_share: _Share
    late_library_share: _Share
    second_channel_share: _Share
    late_message_share: _Share
    idle_hours: Annotated[float, Field(gt=0)]


class Play(Strict):
    """Shares of infusions (or sessions) in which something happens."""

    false_start_share: _Share
    pause_share: _Share
    complete_share: _Share
    keep_open_share: _Share
    refill_share: _Share
    power_off_share: _Share
    quick_switch_share: _Share
    midway_share: _Share
    no_area_share: _Share


class AlertPlan(Strict):
    """How often the library warns, and what people do then."""

    cluster_shape: Annotated[float, Field(gt=0)]
    override_share: _Share
    low_share: _Share
    hard_share: _Share
    far_share: _Share
    cancelled_rate: _Share
    unchanged_rate: _Share
    unanswered_rate: _Share
    left_share: _Share


class AlarmPlan(Strict):
    """Shares of pauses, infusions or sessions in which an alarm sounds or a bolus is given."""

    calm_share: _Share
    stop_share: _Share
    near_end_share: _Share
    end_share: _Share
    battery_share: _Share
    mains_share: _Share
    fault_share: _Share
    silenced_share: _Share
    uncleared_share: _Share
    repeat_share: _Share
    escalate_share: _Share
    bolus_share: _Share


class CareAreaPlan(Strict):
    """One care area: names in each dialect, what runs there and how often outside the library."""

    name: str
    code: str
    slug: str
    share: _Share
    bypass_share: _Share
    drift: float = 0.0
    run_hours: Annotated[float, Field(gt=0)]
    weight_kg: tuple[float, float]
    context: Literal["clinical", "maintenance", "training"] = "clinical"
    entries: Annotated[tuple[str, ...], Field(min_length=2)]


class EntryPlan(Strict):
    """One library entry."""

    name: str
    code: str
    high_alert: bool
    concentrations: tuple[float, ...]
    concentration_unit: str | None = None
    dosing_unit: str | None = None
    rates_ml_h: tuple[float, float]
    limits: Literal["full", "soft", "volume", "none"]
    hard_from: str | None = None
    alert_rate: Annotated[float, Field(ge=0)] = 0.02
    quiet_from: str | None = None
    tight: Annotated[float, Field(gt=0, le=1)] = 1.0
    noise: Annotated[float, Field(ge=1)] = 1.0


class LibraryPlan(Strict):
    """One released version of the drug library."""

    version: str
    published: date


class ChangePlan(Strict):
    """One row of changes.csv."""

    date: date
    what: str
    area: str | None = None


class Planted(Strict):
    """How much of each incident and fault is planted."""

    clock_fast_s: int
    implausible_weight_kg: int
    unreadable_each: _Count
    bridged_gaps: _Count
    unbridged_gaps: _Count
    forgotten_stops: _Count
    unlogged_completions: _Count
    patient_changes_running: _Count
    unknown_kinds: _Count
    unknown_entries: _Count
    unknown_areas: _Count
    piggybacks: _Count
    relays: _Count
    weights_in_pounds: _Count
    tenfold_factor: Annotated[int, Field(ge=2)]
    workshop_days: Annotated[int, Field(ge=1, le=27)]


class Expected(Strict):
    """What the scenario must produce as it stands."""

    events_between: tuple[int, int]


class Scenario(Strict):
    """Everything in one scenario file."""

    format: Literal[1]
    name: str
    facility: str
    time_zone: str
    seed: Annotated[int, Field(ge=0)]
    window: Window
    fleet: FleetPlan
    play: Play
    alerts: AlertPlan
    alarms: AlarmPlan
    care_area: tuple[CareAreaPlan, ...]
    entry: tuple[EntryPlan, ...]
    library: Annotated[tuple[LibraryPlan, ...], Field(min_length=1)]
    change: tuple[ChangePlan, ...] = ()
    planted: Planted
    expected: Expected

    @model_validator(mode="after")
    def _names_agree(self) -> Scenario:
        known = {entry.name for entry in self.entry}
        for area in self.care_area:
            for name in area.entries:
                if name not in known:
                    raise ValueError(f"{area.name!r} names the entry {name!r}, which is not declared")
        if not any(area.context == "maintenance" for area in self.care_area):
            raise ValueError("no care area has the context 'maintenance'")
        return self

    def scaled(self, pumps: int | None, months: int | None, seed: int | None) -> Scenario:
        """Return the scenario with another number of pumps or months, or another seed."""
        if pumps is not None and pumps < FEWEST_PUMPS:
            raise UsageError(
                f"{pumps} pumps are too few for what is planted", do=f"Take {FEWEST_PUMPS} or more"
            )
        if months is not None and months < FEWEST_MONTHS:
            raise UsageError(
                f"{months} months are too few for what is planted", do=f"Take {FEWEST_MONTHS} or more"
            )
        window = self.window if months is None else self.window.model_copy(update={"months": months})
        fleet = self.fleet if pumps is None else self.fleet.model_copy(update={"pumps": pumps})
        update = {"window": window, "fleet": fleet, "seed": self.seed if seed is None else seed}
        return self.model_copy(update=update)


def scenario_folder() -> Path:
    """Return the folder with the scenarios: inside the wheel, else in the checkout."""
    package = Path(__file__).resolve().parents[1]
    shipped = package / "_scenarios"
    return shipped if shipped.is_dir() else package.parents[1] / "synthetic_data" / "scenarios"


def load_scenario(name: str = "brennick_vale") -> Scenario:
    """Read a scenario by its file's stem.

    Raises
    ------
    ConfigurationError
        If there is none of that name or it is wrong; the message names the file and the keys.
    """
    path = scenario_folder() / f"{name}.toml"
    if not path.is_file():
        raise ConfigurationError("there is no such scenario", where=path)
    try:
        return Scenario.model_validate(read_toml(path))
    except ValidationError as error:
        raise explain(error, path) from None
