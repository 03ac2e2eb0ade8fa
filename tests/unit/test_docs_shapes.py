"""README and the commented site.toml know every shape, option and limit, and only those."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dripledger.commands.newsite import _SITE_TOML
from dripledger.site import Limits
from dripledger.sources.encodings import ENCODINGS
from dripledger.sources.mapping import Mapping
from dripledger.sources.shapes import SHAPES, FixedColumn, Hl7Options

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def _row(key: str) -> str:
    (row,) = (line for line in README.splitlines() if line.startswith(f"| `{key}` |"))
    return row.partition("|")[2].partition("|")[2]


def test_every_shape() -> None:
    assert set(re.findall(r"`(\w+)`", _row("shape"))) == set(SHAPES)


@pytest.mark.parametrize("shape", SHAPES)
def test_options_of_a_shape(shape: str) -> None:
    model = Mapping.model_fields[shape].annotation
    assert model is not None
    options = set(model.model_fields)
    if shape == "fixed_width":
        options |= set(FixedColumn.model_fields)
    named = {word for word in re.findall(r"`([a-z_]+)`", _row(f"[{shape}]")) if word != "true"}
    assert named == options


def test_encodings() -> None:
    assert set(re.findall(r"`([a-z0-9-]+)`", _row("encoding"))) == set(ENCODINGS)
    assert set(Hl7Options.model_fields["encoding"].annotation.__args__) == set(ENCODINGS)  # type: ignore[union-attr]


@pytest.mark.parametrize("limit", Limits.model_fields)
def test_limits_with_their_defaults(limit: str) -> None:
    value = Limits.model_fields[limit].default
    default = str(value) if isinstance(value, int) else f"{value:g}"
    assert _row(limit).split("|")[0].strip() == default
    assert re.search(rf"^# {limit} = {default} ", _SITE_TOML, re.MULTILINE)
