"""The mapping language: what it refuses, and that each refusal names file, key and what is allowed."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest
from tests.event_samples import WARDS

from dripledger.errors import ConfigurationError
from dripledger.schema.columns import COLUMNS
from dripledger.sources.expressions import FUNCTIONS, columns_read, rewrite
from dripledger.sources.mapping import load_mapping
from dripledger.sources.parts import MAPPABLE, FieldSpec


def _load(tmp_path: Path, text: str) -> object:
    path = tmp_path / "wards.toml"
    path.write_text(text, encoding="utf-8")
    return load_mapping(path)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('zone = "site"', "", "time.zone: is missing"),
        ('zone = "site"', 'zone = "Atlantis/Deep"', "neither 'site', 'in_text' nor an IANA name"),
        ('records = ["all"]', 'records = ["bolus"]', "'bolus' is no kind of event; allowed: powered_on"),
        ('STOP = "infusion_stopped"', 'STOP = "halted"', "'halted' is no kind of event; allowed"),
        ('initiator = "user"', 'initiator = "ghost"', "'ghost' is no value of initiator; allowed: user"),
        ('initiator = "user"', 'event_id = "1"', "'event_id' is no column that a mapping can set"),
        ('pump_id = "Device"', "", "fields lacks pump_id"),
        ('weight_kg = "Weight"', 'weight = "Weight"', "'weight' is no column that a mapping can set"),
        ('weight_kg = "Weight"', 'weight_kg = { expr = "Weight; 1" }', "is refused"),
        ('weight_kg = "Weight"', 'weight_kg = { field = "a", value = 1 }', "exactly one of"),
        ('weight_kg = "Weight"', 'patient_key = { expr = "upper(Weight)" }', "list the fields"),
        ('weight_kg = "Weight"', 'location = { lookup = "x", by = "a", column = "b" }', "no [lookups.x]"),
        ("[time]", 'colour = "red"\n[time]', "colour: is not a known key"),
        ("[time]", '[personal]\nmask = ["Rate"]\n[time]', "'Rate' is masked"),
        ('shape = "delimited"', 'shape = "scroll"', "shape: must be 'delimited', 'json_lines', "),
        (
            "sequence_reliable = true",
            'sequence_reliable = "yes"',
            "sequence_reliable: must be true or false, without quotes",
        ),
        ("[time]", "file_order = 1\n[time]", "file_order: must be true or false"),
        ("[time]", 'identity = "Seq"\n[time]', "identity: must be a table of keys and values"),
        ('pattern = ["', 'pattern = "x"\nassumed = ["', "pattern: must be a list"),
        ("[time]", '[values.library_use]\nIN = "sure"\n[time]', "'sure' is no value of library_use"),
    ],
)
def test_refusals(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in WARDS
    with pytest.raises(ConfigurationError) as caught:
        _load(tmp_path, WARDS.replace(old, new))
    assert told in str(caught.value)
    assert "wards.toml" in str(caught.value)


@pytest.mark.parametrize("shape", ["json_lines", "json_array"])
@pytest.mark.parametrize("path", ["", "a..b", ".a", "item."])
def test_a_dotted_path_with_an_empty_step_is_refused(tmp_path: Path, shape: str, path: str) -> None:
    nested = WARDS.replace('"delimited"', f'"{shape}"')
    _load(tmp_path, nested.replace("[time]", f'[{shape}]\neach = "a.b"\n[time]'))
    for text in (
        nested.replace("[time]", f'[{shape}]\neach = "{path}"\n[time]'),
        nested.replace('weight_kg = "Weight"', f'weight_kg = "{path}"'),
    ):
        with pytest.raises(ConfigurationError, match="is no dotted path"):
            _load(tmp_path, text)


def test_patients_and_orders_are_keyed_without_being_asked(tmp_path: Path) -> None:
    mapping = _load(
        tmp_path, WARDS.replace('weight_kg = "Weight"', 'patient_key = "Weight"\norder_key = "Seq2"')
    )
    assert mapping.keyed_fields == {"Weight", "Seq2"}  # type: ignore[attr-defined]


def test_every_mappable_column_is_declared() -> None:
    assert set(MAPPABLE) <= set(COLUMNS)
    assert {"pump_id", "kind", "device_time"} <= set(MAPPABLE)


def test_field_spec_reads() -> None:
    spec = FieldSpec(expr="case when a = 'x' then item.b end", unit_field="u")
    assert spec.raw_fields == ("u", "a", "item.b")


@pytest.mark.parametrize(
    "text",
    [
        "sum(a)", "a from t", "(select 1)", "random()", "a; drop table x", "read_text('x')",
        "count(*) over ()", "a union select 2", "*", "now()", "a, b", "unnest([1])", "getenv('x')", "a::json",
        "[1, 2]", "list_transform([1], lambda x: x)", "$1", "a where true", "a limit 1", "distinct a",
        "case when a then (select 1) end", "a collate nocase", "a order by 1", "columns('a')", "nextval('s')",
        "current_setting('home_directory')", "a[1]", "main.upper(a)", "a filter (where b)", "?",
    ],
)  # fmt: skip
def test_expressions_refused(text: str) -> None:
    with pytest.raises(ConfigurationError, match="is refused"):
        columns_read(text)


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("a || '/' || b", "7/x"),
        ("case when b is not null and a in ('7', '8') then cast(a as double) / 2 end", "3.5"),
        ("coalesce(nullif(a, '7'), upper(b))", "X"),
        ("regexp_replace(\"odd name\", '[^0-9]', '', 'g')", "12"),
        ("item.x", "deep"),
        ("try_cast(b as integer)", None),
        ("a between '5' and '8' and not b like 'y%'", "true"),
    ],
)
def test_expressions_run(text: str, answer: str | None) -> None:
    staged = {"a": "f0", "b": "f1", "odd name": "f2", "item.x": "f3"}
    sql = rewrite(text, staged)
    con = duckdb.connect()
    found = con.execute(
        f"select cast({sql} as varchar) from (values ('7', 'x', '1-2', 'deep')) v(f0, f1, f2, f3)"
    ).fetchall()
    con.close()
    assert found == [(answer,)]


def test_functions_exist_and_are_scalar() -> None:
    """Every function that an expression may call is a scalar (or a macro of scalars), and no volatile one."""
    con = duckdb.connect()
    kinds = con.execute(
        "select distinct function_name, function_type, stability from duckdb_functions() "
        f"where function_name in ({', '.join(repr(f) for f in FUNCTIONS)})"
    ).fetchall()
    con.close()
    assert {kind for _, kind, _ in kinds} <= {"scalar", "macro"}
    assert {stability for *_, stability in kinds} <= {"CONSISTENT", "CONSISTENT_WITHIN_QUERY", None}
    parsed = {"if", "ifnull", "coalesce", "nullif"}
    assert FUNCTIONS - parsed <= {name for name, *_ in kinds}
