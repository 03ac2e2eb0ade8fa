"""The mapping language: one TOML file a source says which raw field is which column, and nothing else does.

Every model is frozen and refuses unknown keys; a wrong mapping is one message that names file and key.
"""

from __future__ import annotations

import hashlib
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeAlias

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from dripledger.errors import ConfigurationError
from dripledger.schema import EVENT_KINDS, TABLES, ColumnType
from dripledger.schema.codes import ALARM_KINDS, ALARM_PRIORITIES
from dripledger.schema.columns import COLUMNS
from dripledger.site import Site, explain, read_toml
from dripledger.sources.expressions import columns_read

#: Columns that the program computes; a mapping cannot set them.
COMPUTED: Final = frozenset({
    "event_id", "facility", "kind_logged", "sequence_reliable", "record_place", "values_md5",
    "source_file_sha256", "source_name", "source_record", "ingest_id", "occurred_at", "clock_offset_s",
    "time_quality", "time_resolution_s", "file_rank", "care_area_logged", "entry_logged", "implausible",
    "unmapped", "month",
})  # fmt: skip
#: Columns that `[fields]` may name, in the order of the events table.
MAPPABLE: Final = tuple(name for name in TABLES["events"].names if name not in COMPUTED)
#: Value columns whose unit stands in a column of its own: value column -> unit column.
UNIT_COLUMN: Final = {
    "concentration_value": "concentration_unit",
    "dose_value": "dose_unit",
    "previous_dose_value": "dose_unit",
    "limit_value": "limit_unit",
    "entered_value": "limit_unit",
}
#: Value columns whose unit stands in their name: column -> UCUM code.
FIXED_UNIT: Final = {
    "rate_ml_h": "mL/h",
    "previous_rate_ml_h": "mL/h",
    "volume_to_infuse_ml": "mL",
    "programmed_duration_s": "s",
    "weight_kg": "kg",
    "bsa_m2": "m2",
    "syringe_size_ml": "mL",
    "volume_delivered_ml": "mL",
}


class Part(BaseModel):
    """A frozen part of a mapping that refuses unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class FieldSpec(Part):
    """Where one canonical column comes from: exactly one of `field`, `value`, `expr`, `lookup`.

    Parameters
    ----------
    field
        Raw field name; in JSON a dotted path. With ``json_lines.each``, ``item.x`` is inside the element and
        any other path inside the record.
    value
        A constant.
    expr
        A scalar SQL expression over raw fields, which are text; `sources.expressions` says what is allowed.
    lookup, by, column
        Value of `column` in the lookup table named `lookup`, in the row whose key equals the raw field `by`.
    unit
        Unit of the value where the log does not write one; converted to the column's own unit.
    unit_field
        Raw field that holds the unit of the value.
    personal
        ``"key"``: the value is replaced by a keyed pseudonym at the first touch; ``"mask"``: never read.
    """

    field: str | None = None
    value: str | int | float | bool | None = None
    expr: str | None = None
    lookup: str | None = None
    by: str | None = None
    column: str | None = None
    unit: str | None = None
    unit_field: str | None = None
    personal: Literal["key", "mask"] | None = None

    @model_validator(mode="after")
    def _one_origin(self) -> FieldSpec:
        origins = [n for n in ("field", "value", "expr", "lookup") if getattr(self, n) is not None]
        if len(origins) != 1:
            raise ValueError("needs exactly one of field, value, expr, lookup")
        if (self.lookup is not None) != (self.by is not None and self.column is not None) or (
            self.lookup is None and (self.by is not None or self.column is not None)
        ):
            raise ValueError("a lookup needs lookup, by and column together")
        if self.unit is not None and self.unit_field is not None:
            raise ValueError("takes unit or unit_field, not both")
        if self.personal is not None and self.field is None:
            raise ValueError("personal goes with field only")
        return self

    @cached_property
    def raw_fields(self) -> tuple[str, ...]:
        """The raw fields that this column is made from."""
        names = [n for n in (self.field, self.by, self.unit_field) if n is not None]
        if self.expr is not None:
            names += columns_read(self.expr)
        return tuple(dict.fromkeys(names))


def _as_spec(value: Any) -> Any:
    return {"field": value} if isinstance(value, str) else value


Spec: TypeAlias = Annotated[FieldSpec, BeforeValidator(_as_spec)]


class KindSpec(Part):
    """What one raw label means: an event of `kind`, with `set` columns; or `ignore` with the reason."""

    kind: str | None = None
    set: dict[str, str | int | float | bool] = Field(default_factory=dict)
    ignore: Annotated[str, Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _known(self) -> KindSpec:
        if (self.kind is None) == (self.ignore is None):
            raise ValueError("needs either kind or ignore")
        if self.kind is not None:
            _check_kind(self.kind)
        if self.ignore is not None and self.set:
            raise ValueError("an ignored label sets nothing")
        _check_columns(self.set)
        for name, value in self.set.items():
            _check_constant(name, value)
        return self


def _as_kinds(value: Any) -> Any:
    many = value if isinstance(value, list) else [value]
    return [{"kind": one} if isinstance(one, str) else one for one in many]


KindSpecs: TypeAlias = Annotated[tuple[KindSpec, ...], BeforeValidator(_as_kinds), Field(min_length=1)]


class AlarmSpec(Part):
    """What an alarm label means: its kind, its priority where the log has none, whether it stops delivery."""

    kind: Literal[ALARM_KINDS]  # type: ignore[valid-type]
    priority: Literal[ALARM_PRIORITIES] | None = None  # type: ignore[valid-type]
    stops_delivery: bool | None = None


class DelimitedOptions(Part):
    """How a delimited file is written; its first record is the header."""

    separator: Annotated[str, Field(min_length=1, max_length=1)] = ","
    quote: Annotated[str, Field(min_length=1, max_length=1)] = '"'
    decimal: Literal[".", ","] = "."
    encoding: Literal["utf-8"] = "utf-8"

    @model_validator(mode="after")
    def _distinct(self) -> DelimitedOptions:
        if self.separator == self.quote or any(
            ord(c) > 127 or c in "\r\n" for c in (self.separator, self.quote)
        ):
            raise ValueError("separator and quote are two different ASCII characters")
        return self


class JsonLinesOptions(Part):
    """How a JSON-lines file is written: one object a line.

    Parameters
    ----------
    each
        Dotted path of an array inside the object; each element carries an event of the one record.
    decimal
        Decimal mark of numbers that are written as text.
    """

    each: str | None = None
    decimal: Literal[".", ","] = "."


class TimeOptions(Part):
    """How times are written.

    Parameters
    ----------
    format
        ``"iso"`` or a strptime pattern.
    zone
        ``"site"`` (the facility's zone), ``"UTC"``, an IANA name, or ``"in_text"``: each time has its offset.
        There is no default: a time without a zone cannot be placed.
    resolution_s
        Smallest step of the logged time, seconds.
    received_format, received_zone
        The same for `received_at`; default: as above.
    """

    format: str = "iso"
    zone: str
    resolution_s: Annotated[float, Field(gt=0, le=86400)] = 1.0
    received_format: str | None = None
    received_zone: str | None = None

    @model_validator(mode="after")
    def _zones(self) -> TimeOptions:
        from zoneinfo import available_timezones

        for zone in (self.zone, self.received_zone):
            if zone is not None and zone not in ("site", "in_text") and zone not in available_timezones():
                raise ValueError(
                    f"zone {zone!r} is neither 'site', 'in_text' nor an IANA name such as 'Europe/Lisbon'"
                )
        for pattern, zone in ((self.format, self.zone), (self.received_format, self.received_zone)):
            if pattern is None or pattern == "iso":
                continue
            if "%" not in pattern:
                raise ValueError(f"format {pattern!r} is neither 'iso' nor a strptime pattern")
            if ("%z" in pattern) != ((zone or self.zone) == "in_text"):
                raise ValueError("a pattern holds %z exactly where zone is 'in_text'")
        return self


class Lookup(Part):
    """A small CSV beside the mapping: `file` below ``sources/``, `key` its key column."""

    file: str
    key: str


class IgnoreRule(Part):
    """Records for which `when` is true carry no event; `reason` says why."""

    when: str
    reason: Annotated[str, Field(min_length=1)]


class EventRule(Part):
    """One of several events a record: its `kind`, `when` it exists, `fields` that replace others."""

    kind: str
    when: str | None = None
    fields: dict[str, Spec] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _known(self) -> EventRule:
        _check_kind(self.kind)
        _check_columns(self.fields)
        return self


class Identity(Part):
    """Raw fields that make an event's identity (with its place in the record) instead of the default."""

    fields: Annotated[tuple[str, ...], Field(min_length=1)]


class Personal(Part):
    """Raw fields about people: `mask` is never read, `key` becomes a keyed pseudonym."""

    mask: tuple[str, ...] = ()
    key: tuple[str, ...] = ()


class Mapping(Part):
    """One source.

    Parameters
    ----------
    name
        Its name; default: the file's stem.
    pattern
        Globs on the path below ``inbox/`` or on the file name: which files it reads.
    shape
        ``"delimited"`` or ``"json_lines"``.
    canonical
        Raw fields and labels that are named as our columns and kinds are those; the rest may be added. Its
        `patient_key` and `order_key` are taken to be pseudonyms already.
    records
        The kinds that this source can log; ``["all"]``: every kind.
    sequence_reliable
        Whether its sequence numbers are gapless and in order.
    file_order
        Whether the order of records in the file means the order of events.
    assumed
        What a draft assumed and nobody has confirmed; `ingest` refuses while it is not empty.
    delimited, json_lines, time, fields, kinds, alarms, values, units, lookups, ignore, events, identity,
    personal
        The tables described at their models. ``values.COLUMN`` maps raw values to canonical ones; ``units``
        adds spellings of units of this source.
    """

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9_.-]+$")]
    pattern: Annotated[tuple[str, ...], Field(min_length=1)]
    shape: Literal["delimited", "json_lines"]
    canonical: bool = False
    records: Annotated[tuple[str, ...], Field(min_length=1)]
    sequence_reliable: bool = False
    file_order: bool = False
    assumed: tuple[str, ...] = ()
    delimited: DelimitedOptions = DelimitedOptions()
    json_lines: JsonLinesOptions = JsonLinesOptions()
    time: TimeOptions
    fields: dict[str, Spec] = Field(default_factory=dict)
    kinds: dict[str, KindSpecs] = Field(default_factory=dict)
    alarms: dict[str, AlarmSpec] = Field(default_factory=dict)
    values: dict[str, dict[str, str | int | float | bool]] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    lookups: dict[str, Lookup] = Field(default_factory=dict)
    ignore: tuple[IgnoreRule, ...] = ()
    events: tuple[EventRule, ...] = ()
    identity: Identity | None = None
    personal: Personal = Personal()

    @model_validator(mode="after")
    def _agree(self) -> Mapping:
        for kind in self.records:
            if kind != "all":
                _check_kind(kind)
        if self.shape != "delimited" and "delimited" in self.model_fields_set:
            raise ValueError("[delimited] goes with shape = 'delimited'")
        if self.shape != "json_lines" and "json_lines" in self.model_fields_set:
            raise ValueError("[json_lines] goes with shape = 'json_lines'")
        _check_columns(self.fields)
        for name, values in self.values.items():
            _check_columns({name: None})
            for value in values.values():
                _check_constant(name, value)
        if not self.canonical:
            needed = ["pump_id", "device_time"] + ([] if self.events else ["kind"])
            everywhere = set(self.fields)
            for rule in self.events[:1]:
                everywhere |= set(rule.fields)
            for rule in self.events:
                everywhere &= set(self.fields) | set(rule.fields)
            missing = [name for name in needed if name not in everywhere]
            if missing:
                raise ValueError(f"fields lacks {', '.join(missing)}")
        if self.events and ("kind" in self.fields or self.kinds):
            raise ValueError("[[events]] names its kinds itself: leave out fields.kind and [kinds]")
        told = self.fields.get("kind")
        if told is not None and told.value is not None and str(told.value) not in self.kinds:
            _check_kind(str(told.value))
        for spec in self.specs():
            if spec.lookup is not None and spec.lookup not in self.lookups:
                raise ValueError(f"there is no [lookups.{spec.lookup}]")
        masked = self.masked_fields
        used = [name for name in self.raw_fields() if name in masked]
        if used:
            raise ValueError(f"the field {used[0]!r} is masked, so nothing can be made from it")
        if not self.canonical:
            for spec in self._subject_specs():
                if spec.value is None and not set(spec.raw_fields) & self.keyed_fields:
                    raise ValueError(
                        "patient_key and order_key are keyed pseudonyms: list the fields that they are made "
                        "from under personal.key"
                    )
        both = masked & self.keyed_fields
        if both:
            raise ValueError(f"the field {sorted(both)[0]!r} is both masked and keyed")
        return self

    def specs(self) -> list[FieldSpec]:
        """Return every field specification, those of [[events]] included, masked ones left out."""
        found = list(self.fields.values())
        for rule in self.events:
            found += rule.fields.values()
        return [spec for spec in found if spec.personal != "mask"]

    @property
    def masked_fields(self) -> frozenset[str]:
        """Raw fields that are never read."""
        inline = {s.field for s in self._all_specs() if s.personal == "mask" and s.field is not None}
        return frozenset(self.personal.mask) | inline

    @property
    def keyed_fields(self) -> frozenset[str]:
        """Raw fields that are replaced by a keyed pseudonym at the first touch."""
        told = [s for s in self._all_specs() if s.personal == "key"]
        if not self.canonical:
            # these columns are keyed even where the mapping forgot to say so
            told += [s for s in self._subject_specs() if s.personal is None]
        return frozenset(self.personal.key) | {s.field for s in told if s.field is not None}

    def _all_specs(self) -> list[FieldSpec]:
        return [*self.fields.values(), *(s for rule in self.events for s in rule.fields.values())]

    def _subject_specs(self) -> list[FieldSpec]:
        tables = [self.fields, *(rule.fields for rule in self.events)]
        return [table[name] for table in tables for name in ("patient_key", "order_key") if name in table]

    def raw_fields(self) -> tuple[str, ...]:
        """Return the raw fields that the mapping reads, in a fixed order, each once."""
        names: list[str] = []
        for spec in self.specs():
            names += spec.raw_fields
        for ignore in self.ignore:
            names += columns_read(ignore.when)
        for rule in self.events:
            if rule.when is not None:
                names += columns_read(rule.when)
        if self.identity is not None:
            names += self.identity.fields
        return tuple(dict.fromkeys(names))

    @property
    def decimal(self) -> str:
        """Decimal mark of numbers."""
        return self.delimited.decimal if self.shape == "delimited" else self.json_lines.decimal

    def kinds_declared(self) -> tuple[str, ...]:
        """Return the kinds that this source can log, ``all`` spelled out."""
        return tuple(EVENT_KINDS) if "all" in self.records else tuple(dict.fromkeys(self.records))


def _check_kind(kind: str) -> None:
    if kind not in EVENT_KINDS:
        raise ValueError(f"{kind!r} is no kind of event; allowed: {', '.join(EVENT_KINDS)}")


def _check_columns(names: Any) -> None:
    for name in names:
        if name not in MAPPABLE:
            raise ValueError(f"{name!r} is no column that a mapping can set; allowed: {', '.join(MAPPABLE)}")


def _check_constant(name: str, value: object) -> None:
    column = COLUMNS[name]
    if column.allowed and str(value) not in column.allowed:
        raise ValueError(f"{value!r} is no value of {name}; allowed: {', '.join(column.allowed)}")
    if column.type is ColumnType.BOOLEAN and not isinstance(value, bool):
        raise ValueError(f"{value!r} is no value of {name}; allowed: true, false")


def load_mapping(path: Path) -> Mapping:
    """Read one mapping.

    Raises
    ------
    ConfigurationError
        If it is wrong; the message names the file and every key concerned.
    """
    data = read_toml(path)
    data.setdefault("name", path.stem)
    try:
        return Mapping.model_validate(data)
    except ValidationError as error:
        raise explain(error, path) from None
    except ConfigurationError as error:
        raise ConfigurationError(error.what, where=path, do=error.do) from None


def load_mappings(site: Site) -> dict[str, Mapping]:
    """Read every mapping of a site: name -> mapping, sorted by file name."""
    found: dict[str, Mapping] = {}
    for path in sorted(site.sources.glob("*.toml")):
        mapping = load_mapping(path)
        if mapping.name in found:
            raise ConfigurationError(
                f"the name {mapping.name!r} is taken by another mapping",
                where=path,
                do="Give it another name",
            )
        found[mapping.name] = mapping
        for name, lookup in mapping.lookups.items():
            if not (site.sources / lookup.file).is_file():
                raise ConfigurationError(
                    f"lookups.{name}.file: there is no file {lookup.file!r} below sources", where=path
                )
    return found


def declarations_digest(site: Site, mapping: Mapping) -> str:
    """Return the SHA-256 over all that a person declared about this source's events.

    The mapping with its lookup files, zone, care areas and aliases, entries, clocks, service and pumps: when
    one of these changes, what was derived from the originals has to be derived again.
    """
    digest = hashlib.sha256()
    settings = site.settings
    told: list[object] = [
        mapping.model_dump_json(exclude={"pattern", "assumed"}),
        settings.facility,
        settings.time_zone,
        sorted((name, sorted(area.aliases)) for name, area in settings.care_areas.items()),
        None if site.entries is None else sorted((e.entry, sorted(e.aliases)) for e in site.entries),
        sorted((c.pump, str(c.from_clock), c.offset_s) for c in site.clocks),
        sorted((s.pump, str(s.from_local), str(s.to_local), s.context) for s in site.service),
        None if site.pumps is None else sorted((p.pump, str(p.model), str(p.type)) for p in site.pumps),
    ]
    digest.update(repr(told).encode())
    for name in sorted(mapping.lookups):
        digest.update(hashlib.sha256((site.sources / mapping.lookups[name].file).read_bytes()).digest())
    return digest.hexdigest()
