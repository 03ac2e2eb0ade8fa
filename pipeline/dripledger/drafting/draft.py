"""`map draft`: a mapping proposed for an export that nobody has described."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path

from pydantic import ValidationError

from dripledger.drafting.clock import find_clock, without_times
from dripledger.drafting.compose import Composer
from dripledger.drafting.fields import find_fields
from dripledger.drafting.messages import draft_messages
from dripledger.drafting.profile import profiles
from dripledger.drafting.shape import sniff
from dripledger.drafting.words import language_of
from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.site import Limits
from dripledger.sources.mapping import Mapping


def draft(path: Path, safe: Sequence[str] = (), limits: Limits | None = None) -> str:
    """Propose a mapping for one export.

    Parameters
    ----------
    path
        The export.
    safe
        Columns that a person declares safe: they are not masked, and values of them are shown.
    limits
        How large a file may be; default: those of a new site.

    Returns
    -------
    str
        A mapping in TOML, with its reasons as comments; no value of a column that is not declared safe stands
        in it but the labels of kinds, alarms and library use.

    Raises
    ------
    UsageError
        If there is no such file, or no such column.
    InputError
        If it cannot be read, or has no shape that is read here.
    """
    head, sample = sniff(path, limits or Limits())
    unknown = [name for name in safe if name not in sample.values]
    if unknown:
        raise UsageError(
            f"there is no column {unknown[0]!r}",
            where="--safe",
            do=f"The columns are: {', '.join(sample.values) or 'none'}",
        )
    if sample.shape == "hl7":
        return _checked(draft_messages(head, sample))
    with connect() as con:
        columns = profiles(sample, language_of(list(sample.values)), con)
    clock = find_clock(columns)
    if clock is None:
        clock = without_times(columns)
    times = set(clock.columns) | ({clock.received[0]} if clock.received else set())
    fields = find_fields({name: p for name, p in columns.items() if name not in times})
    return _checked(Composer(head, sample, columns, fields, clock, frozenset(safe)).write())


def _checked(text: str) -> str:
    """Return a draft that was read back as a mapping: one that does not load is a defect."""
    try:
        Mapping.model_validate(tomllib.loads(text))
    except (ValidationError, tomllib.TOMLDecodeError) as error:
        raise AssertionError(f"a draft that does not load: {error}") from None
    return text
