"""A site's folder: ``site.toml`` as frozen models, unknown keys refused, and the lists a person keeps."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, get_args
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator

from dripledger import lists
from dripledger.errors import ConfigurationError
from dripledger.lists import ChangeRow, ClockRow, EntryRow, PumpRow, ReviewRow, ServiceRow, fold, read_list

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

__all__ = [
    "ChangeRow",
    "ClockRow",
    "EntryRow",
    "PumpRow",
    "ReviewRow",
    "ServiceRow",
    "Site",
    "SiteSettings",
    "Strict",
    "explain",
    "load_site",
    "read_list",
    "read_toml",
    "spellings",
]

#: All names are read once: that takes longer than the rest of a site.
zone_names = cache(available_timezones)


_FLAG: Final = "must be true or false, without quotes"
_NUMBER: Final = "must be a number, without quotes"
_TABLE: Final = "must be a table of keys and values"
#: pydantic's kinds of findings in words for people who write TOML.
_WORDS: Final = {
    "extra_forbidden": "is not a known key",
    "missing": "is missing",
    "string_type": "must be text in quotes",
    "string_too_short": "is empty",
    "too_short": "is empty",
    "tuple_type": 'must be a list, such as ["a", "b"]',
    "list_type": 'must be a list, such as ["a", "b"]',
    "dict_type": _TABLE,
    "model_type": _TABLE,
    "model_attributes_type": _TABLE,
    "bool_type": _FLAG,
    "bool_parsing": _FLAG,
    "float_type": _NUMBER,
    "float_parsing": _NUMBER,
    "finite_number": "must be a finite number",
    "int_type": "must be a whole number, without quotes",
    "int_parsing": "must be a whole number, without quotes",
    "int_from_float": "must be a whole number",
    "date_type": "must be a date, such as 2026-10-31",
    "date_parsing": "must be a date, such as 2026-10-31",
}
_BOUNDS: Final = {
    "greater_than": ("above", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("below", "lt"),
    "less_than_equal": ("at most", "le"),
}


class Strict(BaseModel):
    """A frozen model that refuses unknown keys, and text or a truth value where another kind is meant."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _no_guess(cls, value: Any, info: ValidationInfo) -> Any:
        """Refuse what pydantic would turn into a truth value or a number by itself."""
        if isinstance(value, bool | int | float | str) and info.field_name is not None:
            declared = cls.model_fields[info.field_name].annotation
            wanted = set(get_args(declared)) or {declared}
            if bool in wanted and not (isinstance(value, bool) or wanted & {str, int, float}):
                raise ValueError(_FLAG)
            if wanted & {int, float} and isinstance(value, str | bool) and not wanted & {str, bool}:
                raise ValueError(_NUMBER)
        return value


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
    stale_library_days: Annotated[float, Field(ge=0, le=365)] = 7
    long_stop_s: _Seconds = 600
    provisional_share: _Share = 0.95
    quarantine_share_max: _Share = 0.02

    @property
    def of_infusions(self) -> dict[str, float]:
        """Those by which infusions are built; the others only measure and judge what was built."""
        judging = {"stale_library_days", "long_stop_s", "provisional_share", "quarantine_share_max"}
        return self.model_dump(exclude=judging)


class Minimums(Strict):
    """Least data for a rate; below it a cell shows counts only."""

    starts: Annotated[int, Field(ge=1)] = 20
    infusions: Annotated[int, Field(ge=1)] = 10
    channel_hours: Annotated[float, Field(gt=0)] = 500


class Limits(Strict):
    """How large an export may be: a file past one of these is refused whole, and the others are read.

    Parameters
    ----------
    unpack_ratio
        Unpacked size over packed size of a compressed file that is larger than 16 MiB.
    unpacked_gib
        Unpacked size of one compressed file, all its members together.
    members
        Files in one zip.
    workbook_mib
        Unpacked size of one workbook, which is read as a whole.
    workbook_cells
        Rows times columns of a sheet, as far as it holds values.
    record_mib
        Length of one record.
    columns
        Columns of a delimited file or workbook.
    nesting
        Levels of elements, objects or arrays inside each other.
    free_mib
        Space that an ingest leaves free on the disks of store and originals; without it none begins.
    """

    unpack_ratio: Annotated[float, Field(ge=1)] = 200
    unpacked_gib: Annotated[float, Field(gt=0)] = 64
    members: Annotated[int, Field(ge=1)] = 10_000
    workbook_mib: Annotated[float, Field(gt=0)] = 512
    workbook_cells: Annotated[int, Field(ge=1)] = 20_000_000
    record_mib: Annotated[float, Field(gt=0, le=512)] = 16
    columns: Annotated[int, Field(ge=1)] = 2000
    nesting: Annotated[int, Field(ge=1)] = 100
    free_mib: Annotated[float, Field(ge=0)] = 64


class ReportSettings(Strict):
    """How reports are set."""

    title: str = "Infusion pump safety"
    decimal: Literal[".", ","] = "."
    #: How days are written: 2026-10-31, 31 Oct 2026, Oct 31, 2026.
    dates: Literal["year_first", "day_first", "month_first"] = "year_first"
    paper: Literal["a4", "letter"] = "a4"


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
    limits: Limits = Limits()
    report: ReportSettings = ReportSettings()
    people: People = People()
    precedence: tuple[SourceRule, ...] = ()

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in zone_names():
            raise ValueError("is no IANA time zone name, such as 'Europe/Lisbon'")
        return value


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
    reviews: tuple[ReviewRow, ...] = ()

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
        """Return the files by which a person declares something, sorted: what a commit keeps a copy of.

        Lookup files of `sources` are not among them, for their keys may be people's numbers; their hashes
        are in the digest that each ledger row carries.
        """
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
        found += sorted(self.sources.glob("*.toml"))
        found += sorted(p for ending in ("csv", "xlsx", "ods") for p in self.libraries.glob(f"*.{ending}"))
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
        # a branch of a union is no key of the file
        pieces = [str(piece) for piece in item["loc"] if not _is_branch(piece)]
        text = f"{'.'.join(pieces) or '(top level)'}: {_in_words(item)}"
        if text not in parts:
            parts.append(text)
    return ConfigurationError("; ".join(parts), where=path, do="Correct the file and run the command again")


def _is_branch(piece: int | str) -> bool:
    """Whether a part of a place is pydantic's name of one of several allowed forms."""
    return isinstance(piece, str) and (
        piece in ("str", "int", "float", "bool")
        or piece.startswith(("function-", "tuple[", "list[", "dict["))
    )


def _in_words(item: ErrorDetails) -> str:
    kind, context = item["type"], item.get("ctx", {})
    if kind == "literal_error":
        return f"must be {context['expected']}"
    if kind in _BOUNDS:
        sign, value = _BOUNDS[kind]
        return f"must be {sign} {context[value]}"
    return _WORDS.get(kind) or item["msg"].removeprefix("Value error, ")


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
        pumps=_optional(root / "pumps.csv", lists.read_pumps),
        clocks=_optional(root / "clocks.csv", lists.read_clocks) or (),
        service=_optional(root / "service.csv", lists.read_service) or (),
        changes=_optional(root / "changes.csv", lists.read_changes) or (),
        entries=_optional(root / "entries.csv", lists.read_entries),
        reviews=_optional(root / "reviews.csv", lists.read_reviews) or (),
    )


def _optional(path: Path, reader: Any) -> Any:
    return tuple(reader(path)) if path.is_file() else None


def _spellings(names: Sequence[tuple[str, Sequence[str]]], where: str) -> dict[str, str]:
    known: dict[str, str] = {}
    for name, aliases in names:
        for text in (name, *aliases):
            key = fold(text)
            if known.setdefault(key, name) != name:
                raise ConfigurationError(
                    f"the spelling {text!r} stands for both {known[key]!r} and {name!r}", where=where
                )
    return known


def spellings(site: Site) -> tuple[dict[str, str] | None, dict[str, str] | None]:
    """Return the declared spellings of care areas and of entries, folded -> name; None: none are declared.

    Raises
    ------
    ConfigurationError
        If a spelling means two things.
    """
    settings = site.settings
    areas = None
    if settings.care_areas:
        areas = _spellings(
            [(name, area.aliases) for name, area in settings.care_areas.items()],
            f"{site.root / 'site.toml'}, care_areas",
        )
    entries = None
    if site.entries is not None:
        entries = _spellings([(e.entry, e.aliases) for e in site.entries], str(site.root / "entries.csv"))
    return areas, entries
