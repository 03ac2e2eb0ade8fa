"""A site's folder: ``site.toml`` as frozen models, unknown keys refused, and the lists a person keeps."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from dripledger.errors import ConfigurationError


class Strict(BaseModel):
    """A frozen model that refuses unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


_Share = Annotated[float, Field(ge=0, le=1)]
_Seconds = Annotated[float, Field(ge=0, le=7 * 86400)]


class CareArea(Strict):
    """A declared care area: the other spellings that mean it, and what it is used for."""

    aliases: tuple[str, ...] = ()
    context: Literal["clinical", "maintenance", "training", "unknown"] = "clinical"


class Thresholds(Strict):
    """Windows and shares of the rules; each is printed with the figures that rest on it."""

    continue_after_stop_s: _Seconds = 900
    continue_after_pause_s: _Seconds = 3600
    no_gap_s: _Seconds = 2
    keep_open_wait_s: _Seconds = 60
    false_start_s: _Seconds = 30
    provisional_share: _Share = 0.95
    quarantine_share_max: _Share = 0.02


class Minimums(Strict):
    """Least data for a rate; below it a cell shows counts only."""

    starts: Annotated[int, Field(ge=1)] = 20
    infusions: Annotated[int, Field(ge=1)] = 10
    channel_hours: Annotated[float, Field(gt=0)] = 500


class ReportSettings(Strict):
    """How reports are set."""

    title: str = "Infusion pump safety"
    decimal: Literal[".", ","] = "."


class People(Strict):
    """Where the key for pseudonyms is."""

    key_file: str | None = None
    #: Only for invented data: the key follows from this number and protects nobody.
    demo_seed: int | None = None


class SourceRule(Strict):
    """Which source counts for some pumps and kinds when two report the same fact."""

    counts: str
    pumps: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()


class SiteSettings(Strict):
    """Everything in ``site.toml``."""

    format: Literal[1]
    facility: Annotated[str, Field(min_length=1)]
    time_zone: str
    care_areas: dict[str, CareArea] = Field(default_factory=dict)
    thresholds: Thresholds = Thresholds()
    minimums: Minimums = Minimums()
    report: ReportSettings = ReportSettings()
    people: People = People()
    precedence: tuple[SourceRule, ...] = ()

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in available_timezones():
            raise ValueError("is no IANA time zone name, such as 'Europe/Lisbon'")
        return value


@dataclass(frozen=True, slots=True)
class PumpRow:
    """One row of ``pumps.csv``."""

    pump: str
    model: str | None
    type: str | None
    home_area: str | None
    in_service_from: date | None
    in_service_to: date | None


@dataclass(frozen=True, slots=True)
class ClockRow:
    """One row of ``clocks.csv``: from that reading of the pump's own clock on, pump minus true time."""

    pump: str
    from_clock: datetime | None
    offset_s: float


@dataclass(frozen=True, slots=True)
class ServiceRow:
    """One row of ``service.csv``: local times of the facility, half-open."""

    pump: str
    from_local: datetime | None
    to_local: datetime | None
    context: str


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One row of ``changes.csv``."""

    date: date
    area: str | None
    what: str


@dataclass(frozen=True, slots=True)
class EntryRow:
    """One row of ``entries.csv``: an entry, its high-alert flag, other spellings."""

    entry: str
    high_alert: bool
    aliases: tuple[str, ...]


@dataclass(frozen=True)
class Site:
    """A site folder, read once."""

    root: Path
    settings: SiteSettings
    pumps: tuple[PumpRow, ...] | None = None
    clocks: tuple[ClockRow, ...] = ()
    service: tuple[ServiceRow, ...] = ()
    changes: tuple[ChangeRow, ...] = ()
    entries: tuple[EntryRow, ...] | None = None

    @property
    def zone(self) -> ZoneInfo:
        """The facility's time zone."""
        return ZoneInfo(self.settings.time_zone)

    @property
    def inbox(self) -> Path:
        """Where exports are dropped."""
        return self.root / "inbox"

    @property
    def originals(self) -> Path:
        """What was read, by content hash."""
        return self.root / "originals"

    @property
    def store(self) -> Path:
        """The ledger."""
        return self.root / "store"

    @property
    def sources(self) -> Path:
        """The mappings."""
        return self.root / "sources"

    @property
    def libraries(self) -> Path:
        """The drug libraries."""
        return self.root / "libraries"

    @property
    def reports(self) -> Path:
        """The reports."""
        return self.root / "reports"

    def declaration_files(self) -> list[Path]:
        """Return every file by which a person declares something, sorted: what a commit keeps a copy of."""
        named = [
            "site.toml",
            "pumps.csv",
            "clocks.csv",
            "service.csv",
            "changes.csv",
            "entries.csv",
            "reviews.csv",
        ]
        found = [self.root / name for name in named if (self.root / name).is_file()]
        found += sorted(self.sources.glob("*.toml")) + sorted(self.sources.glob("*.csv"))
        found += sorted(self.libraries.glob("*.csv"))
        return found


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file; every failure is a `ConfigurationError` that names file and line."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ConfigurationError("there is no such file", where=path) from None
    except UnicodeDecodeError:
        raise ConfigurationError("is not UTF-8 text", where=path, do="Save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"is not valid TOML: {error}", where=path) from None
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", where=path) from None


def explain(error: ValidationError, path: Path) -> ConfigurationError:
    """Turn pydantic's findings into one message that names the file and every key concerned."""
    parts = []
    for item in error.errors():
        key = ".".join(str(piece) for piece in item["loc"]) or "(top level)"
        text = (
            "is not a known key"
            if item["type"] == "extra_forbidden"
            else item["msg"].removeprefix("Value error, ")
        )
        parts.append(f"{key}: {text}")
    return ConfigurationError("; ".join(parts), where=path, do="Correct the file and run the command again")


def load_site(root: Path) -> Site:
    """Read a site folder.

    Raises
    ------
    ConfigurationError
        If the folder is none, or one of its files is wrong; the message names file, row and column.
    """
    path = root / "site.toml"
    if not path.is_file():
        raise ConfigurationError(
            "there is no site.toml, so this is not a site folder",
            where=root,
            do="Make one with 'dripledger init DIR', or name yours with --site",
        )
    try:
        settings = SiteSettings.model_validate(read_toml(path))
    except ValidationError as error:
        raise explain(error, path) from None
    return Site(
        root=root,
        settings=settings,
        pumps=_optional(root / "pumps.csv", _pumps),
        clocks=_optional(root / "clocks.csv", _clocks) or (),
        service=_optional(root / "service.csv", _service) or (),
        changes=_optional(root / "changes.csv", _changes) or (),
        entries=_optional(root / "entries.csv", _entries),
    )


@dataclass(frozen=True, slots=True)
class _Line:
    """One row of a person's list, with what is needed to complain about it."""

    path: Path
    number: int
    values: dict[str, str]

    def wrong(self, column: str, what: str) -> ConfigurationError:
        return ConfigurationError(what, where=self.path, row=self.number, column=column)

    def text(self, column: str) -> str | None:
        return self.values.get(column, "").strip() or None

    def need(self, column: str) -> str:
        value = self.text(column)
        if value is None:
            raise self.wrong(column, "is empty")
        return value

    def day(self, column: str) -> date | None:
        value = self.text(column)
        if value is None:
            return None
        try:
            return date.fromisoformat(value)
        except ValueError:
            raise self.wrong(column, f"{value!r} is no date; write it as 2026-10-31") from None

    def clock(self, column: str) -> datetime | None:
        value = self.text(column)
        if value is None:
            return None
        try:
            read = datetime.fromisoformat(value)
        except ValueError:
            raise self.wrong(column, f"{value!r} is no time; write it as 2026-10-31 14:05") from None
        if read.tzinfo is not None:
            raise self.wrong(column, f"{value!r} carries an offset; write the clock reading without one")
        return read

    def number_of(self, column: str) -> float:
        value = self.need(column)
        try:
            return float(value)
        except ValueError:
            raise self.wrong(column, f"{value!r} is no number") from None

    def yes(self, column: str) -> bool:
        value = (self.text(column) or "no").lower()
        if value not in ("yes", "no"):
            raise self.wrong(column, f"{value!r} is neither yes nor no")
        return value == "yes"

    def one_of(self, column: str, allowed: tuple[str, ...]) -> str:
        value = self.need(column)
        if value not in allowed:
            raise self.wrong(column, f"{value!r} is none of {', '.join(allowed)}")
        return value


def _optional(path: Path, reader: Any) -> Any:
    return tuple(reader(path)) if path.is_file() else None


def read_list(path: Path, required: tuple[str, ...], optional: tuple[str, ...] = ()) -> Iterator[_Line]:
    """Read a person's CSV list: UTF-8, comma, a header with known columns only."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise ConfigurationError("is not UTF-8 text", where=path, do="Save it as UTF-8") from None
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", where=path) from None
    reader = csv.DictReader(text.splitlines(), restkey="", strict=True)
    header = [name.strip() for name in reader.fieldnames or []]
    missing = [name for name in required if name not in header]
    unknown = [name for name in header if name not in (*required, *optional)]
    if missing or unknown:
        told = [f"lacks the column {name!r}" for name in missing] + [
            f"has an unknown column {n!r}" for n in unknown
        ]
        wanted = ", ".join(required) + (f" (and, if wanted, {', '.join(optional)})" if optional else "")
        raise ConfigurationError("; ".join(told), where=path, row=1, do=f"Its columns are: {wanted}")
    reader.fieldnames = header
    try:
        for number, row in enumerate(reader, start=2):
            if "" in row:
                raise ConfigurationError(
                    "has more values than the header has columns", where=path, row=number
                )
            yield _Line(path, number, {key: value or "" for key, value in row.items()})
    except csv.Error as error:
        raise ConfigurationError(f"is no proper CSV: {error}", where=path) from None


def _pumps(path: Path) -> Iterator[PumpRow]:
    for line in read_list(
        path, ("pump",), ("model", "type", "home_area", "in_service_from", "in_service_to")
    ):
        yield PumpRow(
            line.need("pump"), line.text("model"), line.text("type"), line.text("home_area"),
            line.day("in_service_from"), line.day("in_service_to"),
        )  # fmt: skip


def _clocks(path: Path) -> Iterator[ClockRow]:
    for line in read_list(path, ("pump", "from", "offset_s")):
        yield ClockRow(line.need("pump"), line.clock("from"), line.number_of("offset_s"))


def _service(path: Path) -> Iterator[ServiceRow]:
    for line in read_list(path, ("pump", "from", "to", "context")):
        context = line.one_of("context", ("clinical", "maintenance", "training", "unknown"))
        yield ServiceRow(line.need("pump"), line.clock("from"), line.clock("to"), context)


def _changes(path: Path) -> Iterator[ChangeRow]:
    for line in read_list(path, ("date", "what"), ("area",)):
        day = line.day("date")
        if day is None:
            raise line.wrong("date", "is empty")
        yield ChangeRow(day, line.text("area"), line.need("what"))


def _entries(path: Path) -> Iterator[EntryRow]:
    for line in read_list(path, ("entry",), ("high_alert", "aliases")):
        aliases = tuple(a.strip() for a in (line.text("aliases") or "").split("|") if a.strip())
        yield EntryRow(line.need("entry"), line.yes("high_alert"), aliases)
