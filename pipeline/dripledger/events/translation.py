"""What is known about one source while its records become events."""

from __future__ import annotations

from collections.abc import Mapping as Map
from dataclasses import dataclass, field

from dripledger.schema.units import UNITS, normalise_unit
from dripledger.site import Site
from dripledger.sources.mapping import Mapping
from dripledger.sources.parts import FieldSpec
from dripledger.sources.staging import Staged


@dataclass
class Translation:
    """The relations of one source in one run.

    Parameters
    ----------
    prefix
        Put before the names of its relations.
    mapping, staged, site
        What it is made from.
    zone
        IANA name of its times' zone; None where each time carries its offset.
    branches
        (kind, fields) of each event rule, one branch where there are none.
    mapped
        Columns that the mapping fills.
    never
        Columns that are null in every event of this source.
    """

    prefix: str
    mapping: Mapping
    staged: Staged
    site: Site
    zone: str | None = None
    branches: list[tuple[str | None, Map[str, FieldSpec]]] = field(default_factory=list)
    mapped: list[str] = field(default_factory=list)
    never: frozenset[str] = frozenset()

    @property
    def multiple(self) -> bool:
        """Whether one record can give several events."""
        return (
            self.mapping.each is not None
            or bool(self.mapping.events)
            or any(len(specs) > 1 for specs in self.mapping.kinds.values())
        )

    @property
    def typed(self) -> str:
        """Name of the relation with the canonical columns."""
        return f"{self.prefix}_typed"

    @property
    def texts(self) -> str:
        """Name of the relation with the texts as logged."""
        return f"{self.prefix}_texts"


def column_of(told: Translation, raw: str) -> str:
    """Return the staged column of a raw field."""
    return told.staged.columns[raw]


def as_text(value: object) -> str:
    """Return a constant as the text that is compared with what a log writes."""
    return str(value).lower() if isinstance(value, bool) else str(value)


def set_columns(told: Translation) -> list[str]:
    """Return the columns that labels set, sorted."""
    return sorted({name for specs in told.mapping.kinds.values() for spec in specs for name in spec.set})


def value_sql(told: Translation, name: str) -> str:
    """Return the SQL of a column's text after [values]."""
    if name not in told.mapped:
        return "null::varchar"
    return f"t.w_{name}" if name in told.mapping.values else f"t.t_{name}"


def unit_code(mapping: Mapping, text: str) -> str | None:
    """Return the UCUM code of a unit as a source writes it, its own spellings first."""
    code = normalise_unit(mapping.units.get(text, text))
    return code if code in UNITS else None
