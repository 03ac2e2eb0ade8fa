"""The mapping language: one TOML file a source says which raw field is which column, and nothing else does.

Every model is frozen and refuses unknown keys; a wrong mapping is one message that names file and key.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import Field, ValidationError, model_validator

from dripledger.errors import ConfigurationError
from dripledger.schema import EVENT_KINDS
from dripledger.site import Site, explain, read_toml
from dripledger.sources.expressions import columns_read
from dripledger.sources.hl7.standard import check_fields, with_standard
from dripledger.sources.parts import (
    AlarmSpec,
    EventRule,
    FieldSpec,
    Identity,
    IgnoreRule,
    KindSpecs,
    Lookup,
    Part,
    Personal,
    Spec,
    TimeOptions,
    check_columns,
    check_constant,
    check_kind,
)
from dripledger.sources.shapes import (
    SHAPES,
    DelimitedOptions,
    FixedWidthOptions,
    Hl7Options,
    JsonArrayOptions,
    JsonLinesOptions,
    WorkbookOptions,
    XmlOptions,
)

#: Columns that stand for a person or for what was ordered for one.
_SUBJECTS: Final = ("patient_key", "order_key")


class Mapping(Part):
    """One source.

    Parameters
    ----------
    name
        Its name; default: the file's stem.
    pattern
        Globs on the path below ``inbox/`` or on the file name: which files it reads.
    shape
        One of `shapes.SHAPES`: ``"delimited"``, ``"json_lines"``, ``"json_array"``, ``"xml"``,
        ``"fixed_width"``, ``"workbook"`` or ``"hl7"`` (device messages, see `sources.hl7`).
    canonical
        Raw fields and labels that are named as our columns and kinds are those; the rest may be added. Of its
        `patient_key` and `order_key` only 64 hexadecimal digits are taken to be a pseudonym already.
    records
        The kinds that this source can log; ``["all"]``: every kind.
    sequence_reliable
        Whether its sequence numbers are gapless and in order.
    file_order
        Whether the order of records in the file means the order of events.
    assumed
        What a draft assumed and nobody has confirmed; `ingest` refuses while it is not empty.
    delimited, json_lines, json_array, xml, fixed_width, workbook, hl7
        Options of that shape; see `shapes`.
    time, fields, kinds, alarms, values, units, lookups, ignore, events, identity, personal
        The tables described at their models. ``values.COLUMN`` maps raw values to canonical ones; ``units``
        adds spellings of units of this source.
    """

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9_.-]+$")]
    pattern: Annotated[tuple[str, ...], Field(min_length=1)]
    shape: Literal[SHAPES]  # type: ignore[valid-type]
    canonical: bool = False
    records: Annotated[tuple[str, ...], Field(min_length=1)]
    sequence_reliable: bool = False
    file_order: bool = False
    assumed: tuple[str, ...] = ()
    delimited: DelimitedOptions = DelimitedOptions()
    json_lines: JsonLinesOptions = JsonLinesOptions()
    json_array: JsonArrayOptions = JsonArrayOptions()
    xml: XmlOptions = XmlOptions()
    fixed_width: FixedWidthOptions = FixedWidthOptions()
    workbook: WorkbookOptions = WorkbookOptions()
    hl7: Hl7Options = Hl7Options()
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

    @model_validator(mode="before")
    @classmethod
    def _standard(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("shape") == "hl7" and data.get("canonical") is True:
            return with_standard(data)
        return data

    @model_validator(mode="after")
    def _agree(self) -> Mapping:
        for kind in self.records:
            if kind != "all":
                check_kind(kind)
        for shape in SHAPES:
            if shape != self.shape and shape in self.model_fields_set:
                raise ValueError(f"[{shape}] goes with shape = '{shape}'")
        self._check_shape()
        check_columns(self.fields)
        for name, values in self.values.items():
            check_columns({name: None})
            for value in values.values():
                check_constant(name, value)
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
            check_kind(str(told.value))
        for spec in self.specs():
            if spec.lookup is not None and spec.lookup not in self.lookups:
                raise ValueError(f"there is no [lookups.{spec.lookup}]")
        if self.shape == "hl7":
            check_fields(self.raw_fields(), self.keyed_fields)
        masked = self.masked_fields
        used = [name for name in self.raw_fields() if name in masked]
        if used:
            listed = ", ".join(repr(name) for name in used)
            verb = "is" if len(used) == 1 else "are"
            raise ValueError(
                f"{listed} {verb} masked by personal.mask, yet read; take what is safe out of the mask"
            )
        hidden = self.keyed_fields | self.pseudonym_fields
        for spec in self._subject_specs():
            if spec.lookup is not None:
                raise ValueError("patient_key and order_key cannot come from a lookup: it is not keyed")
            if spec.value is None and not set(spec.raw_fields) <= hidden:
                raise ValueError(
                    "patient_key and order_key are keyed pseudonyms: list the fields that they are made "
                    "from under personal.key"
                )
        both = masked & self.keyed_fields
        if both:
            raise ValueError(f"the field {sorted(both)[0]!r} is both masked and keyed")
        return self

    def _check_shape(self) -> None:
        if self.shape in ("json_lines", "json_array"):
            paths = self.raw_fields() if self.each is None else (self.each, *self.raw_fields())
            for path in paths:
                if "" in path.split("."):
                    raise ValueError(f"{path!r} is no dotted path: a name stands on each side of a dot")
        if self.shape == "xml" and "record" not in self.xml.model_fields_set:
            raise ValueError("xml.record is missing: the path of the element that is one record")
        if self.shape == "fixed_width":
            if not self.fixed_width.columns:
                raise ValueError("fixed_width.columns is missing: name, start and width of each")
            known = {column.name for column in self.fixed_width.columns}
            unknown = [name for name in self.raw_fields() if name not in known]
            if unknown:
                raise ValueError(f"{unknown[0]!r} is none of fixed_width.columns")

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

    @property
    def pseudonym_fields(self) -> frozenset[str]:
        """Raw fields of a canonical source that are keyed at the first touch unless they are pseudonyms."""
        if not self.canonical:
            return frozenset()
        found = {s.field for s in self._subject_specs() if s.field is not None}
        for name in _SUBJECTS:
            if name not in self.fields:
                found |= {name, f"item.{name}"} if self.each else {name}
        return frozenset(found) - self.keyed_fields

    def keying(self, raw: str) -> str | None:
        """Return the function that a raw field goes through at the first touch; None: it stays as it is."""
        if raw in self.keyed_fields:
            return "keyed"
        return "pseudonym" if raw in self.pseudonym_fields else None

    def _all_specs(self) -> list[FieldSpec]:
        return [*self.fields.values(), *(s for rule in self.events for s in rule.fields.values())]

    def _subject_specs(self) -> list[FieldSpec]:
        tables = [self.fields, *(rule.fields for rule in self.events)]
        found = [table[name] for table in tables for name in _SUBJECTS if name in table]
        return [spec for spec in found if spec.personal != "mask"]

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
        return str(getattr(getattr(self, self.shape), "decimal", "."))

    @property
    def encoding(self) -> str:
        """How its text is encoded, as declared."""
        return str(getattr(getattr(self, self.shape), "encoding", "detect"))

    @property
    def each(self) -> str | None:
        """Path of the array in a JSON record whose elements carry its events; None: there is none."""
        told = getattr(getattr(self, self.shape), "each", None)
        return None if told is None else str(told)

    @property
    def title_lines(self) -> int:
        """Lines of text above its header, or above its records; a workbook's title rows are no lines."""
        return int(getattr(getattr(self, self.shape), "title_lines", 0))

    def kinds_declared(self) -> tuple[str, ...]:
        """Return the kinds that this source can log, ``all`` spelled out."""
        return tuple(EVENT_KINDS) if "all" in self.records else tuple(dict.fromkeys(self.records))


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


def mapping_file(site: Site, name: str) -> Path:
    """Return the file that declares a mapping (its name need not be the file's), or where it would be."""
    for path in sorted(site.sources.glob("*.toml")):
        if read_toml(path).get("name", path.stem) == name:
            return path
    return site.sources / f"{name}.toml"


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
