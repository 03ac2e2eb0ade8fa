"""The parts of a mapping: what one field, label, rule or option of a source can say.

Every model is frozen and refuses unknown keys.
"""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Any, Final, Literal, TypeAlias

from pydantic import BeforeValidator, Field, model_validator

from dripledger.schema import EVENT_KINDS, TABLES, ColumnType
from dripledger.schema.codes import ALARM_KINDS, ALARM_PRIORITIES
from dripledger.schema.columns import COLUMNS
from dripledger.site import Strict, zone_names
from dripledger.sources.expressions import columns_read
from dripledger.sources.time_formats import EPOCHS, NAMED, check_time_format, has_short_years

#: Columns that the program computes; a mapping cannot set them.
COMPUTED: Final = frozenset({
    "event_id", "facility", "kind_logged", "sequence_reliable", "record_place", "values_digest",
    "source_file_sha256", "source_name", "source_record", "ingest_id", "occurred_at", "clock_offset_s",
    "time_quality", "time_resolution_s", "file_rank", "care_area_logged", "entry_logged", "implausible",
    "unmapped", "month",
})  # fmt: skip
#: Columns that `[fields]` may name, in the order of the events table.
MAPPABLE: Final = tuple(name for name in TABLES["events"].names if name not in COMPUTED)
#: What a draft names the pump where no column does; `ingest` refuses it.
UNKNOWN_PUMP: Final = "unknown"
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


class Part(Strict):
    """A frozen part of a mapping that refuses unknown keys."""


class FieldSpec(Part):
    """Where one canonical column comes from: exactly one of `field`, `value`, `expr`, `lookup`.

    Parameters
    ----------
    field
        Raw field name; in JSON a dotted path. With ``each``, ``item.x`` is inside the element and
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
            check_kind(self.kind)
        if self.ignore is not None and self.set:
            raise ValueError("an ignored label sets nothing")
        check_columns(self.set)
        for name, value in self.set.items():
            check_constant(name, value)
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


class TimeOptions(Part):
    """How times are written.

    Parameters
    ----------
    format
        ``"iso"``, ``"epoch_s"`` or ``"epoch_ms"`` (seconds or milliseconds since 1970 began, in UTC), or a
        strptime pattern.
    zone
        ``"site"`` (the facility's zone), ``"UTC"``, an IANA name, or ``"in_text"``: each time has its offset.
        There is no default: a time without a zone cannot be placed.
    resolution_s
        Smallest step of the logged time, seconds.
    received_format, received_zone
        The same for `received_at`; default: as above.
    two_digit_years_from
        First of the hundred years that years of two digits (``%y``) lie in: 1970 means 1970 to 2069. There is
        no default: nothing in such a time tells the century.
    """

    format: str = "iso"
    zone: str
    resolution_s: Annotated[float, Field(gt=0, le=86400)] = 1.0
    received_format: str | None = None
    received_zone: str | None = None
    two_digit_years_from: Annotated[int, Field(ge=1901, le=2000)] | None = None

    @model_validator(mode="after")
    def _zones(self) -> TimeOptions:
        for zone in (self.zone, self.received_zone):
            if zone is not None and zone not in ("site", "in_text") and zone not in zone_names():
                raise ValueError(
                    f"zone {zone!r} is neither 'site', 'in_text' nor an IANA name such as 'Europe/Lisbon'"
                )
        for pattern, zone in ((self.format, self.zone), (self.received_format, self.received_zone)):
            if pattern in EPOCHS and (zone or self.zone) != "UTC":
                raise ValueError(f'format {pattern!r} is counted in UTC: say zone = "UTC"')
            if pattern is None or pattern in NAMED:
                continue
            check_time_format(pattern)
            if has_short_years(pattern) and self.two_digit_years_from is None:
                raise ValueError(
                    f"format {pattern!r} has years of two digits (%y), and nothing says of which "
                    "century: set "
                    "two_digit_years_from, such as 1970 for 1970 to 2069"
                )
            if ("%z" in pattern) != ((zone or self.zone) == "in_text"):
                raise ValueError("a pattern holds %z exactly where zone is 'in_text'")
        if self.two_digit_years_from is not None and not any(
            has_short_years(pattern) for pattern in (self.format, self.received_format or "iso")
        ):
            raise ValueError("two_digit_years_from is set, and no format has years of two digits (%y)")
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
        check_kind(self.kind)
        check_columns(self.fields)
        return self


class Identity(Part):
    """Raw fields that make an event's identity (with its place in the record) instead of the default."""

    fields: Annotated[tuple[str, ...], Field(min_length=1)]


class Personal(Part):
    """Raw fields about people: `mask` is never read, `key` becomes a keyed pseudonym."""

    mask: tuple[str, ...] = ()
    key: tuple[str, ...] = ()


def check_kind(kind: str) -> None:
    """Refuse what is no kind of event; the message lists those that are."""
    if kind not in EVENT_KINDS:
        raise ValueError(f"{kind!r} is no kind of event; allowed: {', '.join(EVENT_KINDS)}")


def check_columns(names: Any) -> None:
    """Refuse names that are no columns a mapping can set; the message lists those that are."""
    for name in names:
        if name not in MAPPABLE:
            raise ValueError(f"{name!r} is no column that a mapping can set; allowed: {', '.join(MAPPABLE)}")


def check_constant(name: str, value: object) -> None:
    """Refuse a constant that its column does not allow."""
    column = COLUMNS[name]
    if column.allowed and str(value) not in column.allowed:
        raise ValueError(f"{value!r} is no value of {name}; allowed: {', '.join(column.allowed)}")
    if column.type is ColumnType.BOOLEAN and not isinstance(value, bool):
        raise ValueError(f"{value!r} is no value of {name}; allowed: true, false")
