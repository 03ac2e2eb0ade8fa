"""From staged records to canonical events: the SQL that follows from a mapping.

Three relations stand on one another, all views: `rows` (one row an event, the label's meaning beside it),
`texts` (each mapped column as the log wrote it, trimmed), `typed` (canonical columns and what is wrong).
Nothing is computed twice on the way to the store, and nothing row by row.
"""

from __future__ import annotations

from collections.abc import Iterable

import duckdb

from dripledger.events import times
from dripledger.events.lists import SiteLists, load_lookup
from dripledger.events.translation import Translation, as_text, column_of, set_columns, unit_code
from dripledger.events.typed import TypedSelect
from dripledger.lists import fold
from dripledger.schema import EVENT_KINDS
from dripledger.schema.codes import UNMAPPED
from dripledger.schema.units import UNITS
from dripledger.site import Site
from dripledger.sources.expressions import rewrite
from dripledger.sources.mapping import Mapping
from dripledger.sources.parts import FIXED_UNIT, MAPPABLE, UNIT_COLUMN, FieldSpec
from dripledger.sources.staging import Staged, quoted

_UNIT_NAMES = frozenset(UNIT_COLUMN.values())


def translate(
    con: duckdb.DuckDBPyConnection,
    prefix: str,
    mapping: Mapping,
    staged: Staged,
    site: Site,
    lists: SiteLists,
) -> Translation:
    """Make the relations of one source.

    Parameters
    ----------
    con
        Connection in which the staging files can be read and the site's lists stand.
    prefix
        Put before the names of all relations made.
    mapping, staged
        The source and its staged rows.
    site, lists
        The site and which of its lists are filled.
    """
    told = Translation(prefix, mapping, staged, site)
    told.zone = times.zone_of(mapping.time.zone, site.settings.time_zone)
    base = _base_fields(mapping, staged)
    told.branches = [(None, base)]
    if mapping.events:
        told.branches = [(rule.kind, {**base, **rule.fields}) for rule in mapping.events]
        told.branches.append((None, base))
    named = {name for _, fields in told.branches for name in fields}
    told.mapped = [name for name in MAPPABLE if name in named and name != "kind"]
    con.execute(f"create or replace temp view {prefix}_raw as\n{_raw_select(con, told)}")
    _make_kinds(con, told)
    con.execute(f"create or replace temp view {told.texts} as\n{_texts_select(told)}")
    _make_alarms(con, told)
    _make_values(con, told)
    _make_aliases(con, told, lists)
    con.execute(f"create or replace temp view {told.typed} as\n{TypedSelect(told, lists).select()}")
    return told


def _base_fields(mapping: Mapping, staged: Staged) -> dict[str, FieldSpec]:
    fields = {n: s for n, s in mapping.fields.items() if s.personal != "mask"}
    if mapping.canonical:
        for raw in staged.columns:
            name = raw.removeprefix("item.") if mapping.each else raw
            inner = f"item.{name}"
            if name in MAPPABLE and name not in fields:
                both = raw == name and inner in staged.columns
                # inside an element first, then in the record that holds it
                fields[name] = (
                    FieldSpec(expr=f'coalesce("item"."{name}", "{name}")') if both else FieldSpec(field=raw)
                )
    return fields


def _lookups(told: Translation) -> list[tuple[str, str, str]]:
    """Return (lookup, by, column) used, each once, in order."""
    specs = [s for _, fields in told.branches for s in fields.values()]
    return list(dict.fromkeys((s.lookup, s.by, s.column) for s in specs if s.lookup and s.by and s.column))


def _raw_select(con: duckdb.DuckDBPyConnection, told: Translation) -> str:
    picks, joins = ["s.*"], []
    if told.mapping.each is None:
        picks.append("false as no_element")
    for place, (lookup, by, column) in enumerate(_lookups(told)):
        table = f"{told.prefix}_lookup{place}"
        load_lookup(con, table, told.site, told.mapping, lookup, column, by)
        joins.append(f"left join {table} l{place} on l{place}.key = s.{column_of(told, by)}")
        picks.append(f"l{place}.value as look{place}")
    return f"select {', '.join(picks)} from ({told.staged.select}) s {' '.join(joins)}"


def _make_kinds(con: duckdb.DuckDBPyConnection, told: Translation) -> None:
    """Make the table of labels: label, place, kind, ignored, and one text column for each column set."""
    mapping = told.mapping
    kinds = dict(mapping.kinds)
    sets = sorted({name for specs in kinds.values() for spec in specs for name in spec.set})
    columns = ["label varchar", "place integer", "kind varchar", "ignored varchar"]
    columns += [f"set_{name} varchar" for name in sets]
    rows: list[list[object]] = []
    for label, specs in kinds.items():
        for place, spec in enumerate(specs):
            values = [None if name not in spec.set else as_text(spec.set[name]) for name in sets]
            rows.append([label.strip(), place, spec.kind, spec.ignore, *values])
    known = {row[0] for row in rows}
    for kind in EVENT_KINDS:
        if kind not in known and (mapping.canonical or _is_constant_kind(mapping, kind)):
            rows.append([kind, 0, kind, None, *([None] * len(sets))])
    table = f"{told.prefix}_kinds"
    con.execute(f"create or replace temp table {table} ({', '.join(columns)})")
    if rows:
        con.executemany(f"insert into {table} values ({', '.join('?' * len(columns))})", rows)


def _is_constant_kind(mapping: Mapping, kind: str) -> bool:
    spec = mapping.fields.get("kind")
    return spec is not None and spec.value == kind


def _origin(told: Translation, spec: FieldSpec) -> str:
    """Return the SQL of a column's raw text."""
    if spec.field is not None:
        return f"r.{column_of(told, spec.field)}"
    if spec.value is not None:
        return quoted(as_text(spec.value))
    if spec.lookup is not None:
        place = _lookups(told).index((spec.lookup, spec.by or "", spec.column or ""))
        return f"r.look{place}"
    return f"try(cast(({rewrite(spec.expr or '', told.staged.columns)}) as varchar))"


def _failing(told: Translation, expressions: Iterable[str]) -> str:
    """Return SQL that is true where one of the expressions raises."""
    parts = [f"try(({rewrite(e, told.staged.columns)}) is null) is null" for e in dict.fromkeys(expressions)]
    return " or ".join(parts) or "false"


def _ignore_sql(told: Translation) -> str:
    cases = "".join(
        f" when coalesce(try(cast({rewrite(rule.when, told.staged.columns)} as boolean)), false) "
        f"then {quoted(rule.reason)}"
        for rule in told.mapping.ignore
    )
    return f"case{cases} end" if cases else "null::varchar"


def _text_of(told: Translation, spec: FieldSpec) -> str:
    """Return the SQL of a column's text, null where empty; staged fields are trimmed already."""
    text = _origin(told, spec)
    return text if spec.field is not None else f"nullif(trim({text}), '')"


def _texts_select(told: Translation) -> str:
    mapping = told.mapping
    ignore = _ignore_sql(told)
    rule_whens = [rule.when for rule in mapping.events]
    branches = []
    for place, (kind, fields) in enumerate(told.branches):
        picks = ["r.*"]
        expressions = [s.expr for s in fields.values() if s.expr is not None]
        expressions += [rule.when for rule in mapping.ignore] + [w for w in rule_whens if w is not None]
        picks.append(f"{_failing(told, expressions)} as expression_failed")
        for name in told.mapped:
            spec = fields.get(name)
            text = "null::varchar" if spec is None else _text_of(told, spec)
            picks.append(f"{text} as t_{name}")
            if name in UNIT_COLUMN or name in FIXED_UNIT:
                unit = "null::varchar"
                if spec is not None and spec.unit is not None:
                    unit = quoted(spec.unit)
                elif spec is not None and spec.unit_field is not None:
                    unit = f"r.{column_of(told, spec.unit_field)}"
                picks.append(f"{unit} as u_{name}")
        source = f"{told.prefix}_raw r"
        if mapping.events:
            whens = [
                "true"
                if w is None
                else f"coalesce(try(cast({rewrite(w, told.staged.columns)} as boolean)), false)"
                for w in rule_whens
            ]
            if kind is None:
                where = " and ".join(f"not {w}" for w in whens)
                picks += [
                    "null::varchar as label",
                    "null::varchar as k_kind",
                    "0 as place",
                    "true as no_event",
                ]
            else:
                where = whens[place]
                text = quoted(kind)
                picks += [
                    f"{text} as label",
                    f"{text} as k_kind",
                    f"{place} as place",
                    "r.no_element as no_event",
                ]
            picks.append(f"{ignore} as ignored")
            branches.append(f"select {', '.join(picks)} from {source} where {where}")
            continue
        label = _text_of(told, fields["kind"]) if "kind" in fields else "null::varchar"
        picks += [f"{label} as label", "k.kind as k_kind", "coalesce(k.place, 0) as place"]
        picks += ["r.no_element as no_event", f"coalesce({ignore}, k.ignored) as ignored"]
        picks += [f"k.set_{name}" for name in set_columns(told)]
        branches.append(
            f"select {', '.join(picks)} from {source} left join {told.prefix}_kinds k on k.label = {label}"
        )
    return "\nunion all by name\n".join(branches)


def _make_alarms(con: duckdb.DuckDBPyConnection, told: Translation) -> None:
    table = f"{told.prefix}_alarms"
    con.execute(
        f"create or replace temp table {table} (label varchar, kind varchar, priority varchar, stops boolean)"
    )
    rows = [[name.strip(), a.kind, a.priority, a.stops_delivery] for name, a in told.mapping.alarms.items()]
    if rows:
        con.executemany(f"insert into {table} values (?, ?, ?, ?)", rows)


def _make_values(con: duckdb.DuckDBPyConnection, told: Translation) -> None:
    for name, values in told.mapping.values.items():
        table = f"{told.prefix}_values_{name}"
        con.execute(f"create or replace temp table {table} (raw varchar, value varchar)")
        if values:
            con.executemany(
                f"insert into {table} values (?, ?)", [[k.strip(), as_text(v)] for k, v in values.items()]
            )


def _make_aliases(con: duckdb.DuckDBPyConnection, told: Translation, lists: SiteLists) -> None:
    """Fold and normalise the distinct labels and units that occur, instead of those of every row."""
    labels = [n for n in ("care_area", "entry") if n in told.mapped]
    units = {f"u_{n}" for n in told.mapped if n in UNIT_COLUMN or n in FIXED_UNIT}
    units |= {f"t_{n}" for n in told.mapped if n in _UNIT_NAMES}
    picks = [f"list(distinct t.t_{n})" for n in labels] + [f"list(distinct t.{u})" for u in sorted(units)]
    found: list[list[str]] = []
    if picks:
        row = con.execute(f"select {', '.join(picks)} from {told.texts} t").fetchall()[0]
        found = [[v for v in values or [] if v is not None] for values in row]
    for name, texts in zip(labels, found, strict=False):
        known = lists.care_areas if name == "care_area" else lists.entries
        replaced = told.mapping.values.get(name, {})
        rows = []
        for text in texts:
            shown = str(replaced.get(text, text))
            rows.append([text, shown if known is None else known.get(fold(shown), UNMAPPED)])
        table = f"{told.prefix}_alias_{name}"
        con.execute(f"create or replace temp table {table} (raw varchar, value varchar)")
        if rows:
            con.executemany(f"insert into {table} values (?, ?)", rows)
    table = f"{told.prefix}_units"
    con.execute(
        f"create or replace temp table {table} (raw varchar, code varchar, shape varchar, base double)"
    )
    rows_of_units = []
    for text in sorted({v for values in found[len(labels) :] for v in values}):
        code = unit_code(told.mapping, text)
        if code is not None:
            rows_of_units.append([text, code, str(UNITS[code].shape), UNITS[code].to_base])
    if rows_of_units:
        con.executemany(f"insert into {table} values (?, ?, ?, ?)", rows_of_units)
