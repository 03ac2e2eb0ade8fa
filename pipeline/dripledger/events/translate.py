"""From staged records to canonical events: the SQL that follows from a mapping.

Three relations stand on one another, all views: `rows` (one row an event, the label's meaning beside it),
`texts` (each mapped column as the log wrote it, trimmed), `typed` (canonical columns and what is wrong).
Nothing is computed twice on the way to the store, and nothing row by row.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping as Map
from dataclasses import dataclass, field
from typing import Final

import duckdb

from dripledger.errors import ConfigurationError
from dripledger.events import times
from dripledger.events.lists import SiteLists, fold, load_lookup
from dripledger.schema import EVENT_KINDS, TABLES, ColumnType
from dripledger.schema.codes import UNMAPPED
from dripledger.schema.columns import COLUMNS
from dripledger.schema.units import UNITS, normalise_unit
from dripledger.site import Site
from dripledger.sources.expressions import rewrite
from dripledger.sources.mapping import FIXED_UNIT, MAPPABLE, UNIT_COLUMN, FieldSpec, Mapping
from dripledger.sources.staging import Staged, quoted

#: Separates parts of an identity, and stands for a part that was not logged.
_SEPARATOR: Final = "chr(31)"
_ABSENT: Final = "chr(30)"
#: Place of an event: its element, plus this for each further event of the same element.
_PLACES: Final = 1_000_000
#: What a value outside the allowed ones stands as; else null.
_UNKNOWN_VALUE: Final = {
    "library_use": "unknown",
    "pump_type": "other",
    "alarm_kind": "other",
    "decision_logged": UNMAPPED,
    "use_context": "unknown",
}
_UNIT_NAMES: Final = frozenset(UNIT_COLUMN.values())


@dataclass
class Translation:
    """The relations of one source in one run.

    Parameters
    ----------
    prefix
        Put before the names of its relations.
    mapping, staged, site
        What it is made from.
    """

    prefix: str
    mapping: Mapping
    staged: Staged
    site: Site
    zone: str | None = None
    branches: list[tuple[str | None, Map[str, FieldSpec]]] = field(default_factory=list)
    mapped: list[str] = field(default_factory=list)

    @property
    def multiple(self) -> bool:
        """Whether one record can give several events."""
        return (
            self.mapping.json_lines.each is not None
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


def translate(
    con: duckdb.DuckDBPyConnection, prefix: str, mapping: Mapping, staged: Staged, site: Site, lists: SiteLists
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
    con.execute(f"create or replace temp view {told.typed} as\n{_typed_select(told, lists)}")
    return told


def _base_fields(mapping: Mapping, staged: Staged) -> dict[str, FieldSpec]:
    fields = {n: s for n, s in mapping.fields.items() if s.personal != "mask"}
    if mapping.canonical:
        for raw in staged.columns:
            name = raw.removeprefix("item.") if mapping.json_lines.each else raw
            inner = f"item.{name}"
            if name in MAPPABLE and name not in fields:
                both = raw == name and inner in staged.columns
                # inside an element first, then in the record that holds it
                fields[name] = (
                    FieldSpec(expr=f'coalesce("item"."{name}", "{name}")') if both else FieldSpec(field=raw)
                )
    return fields


def _column(told: Translation, raw: str) -> str:
    return told.staged.columns[raw]


def _lookups(told: Translation) -> list[tuple[str, str, str]]:
    """Return (lookup, by, column) used, each once, in order."""
    specs = [s for _, fields in told.branches for s in fields.values()]
    return list(
        dict.fromkeys((s.lookup, s.by, s.column) for s in specs if s.lookup and s.by and s.column)
    )


def _raw_select(con: duckdb.DuckDBPyConnection, told: Translation) -> str:
    picks, joins = ["s.*"], []
    if told.mapping.json_lines.each is None:
        picks.append("false as no_element")
    for place, (lookup, by, column) in enumerate(_lookups(told)):
        table = f"{told.prefix}_lookup{place}"
        load_lookup(con, table, told.site, told.mapping, lookup, column)
        joins.append(f"left join {table} l{place} on l{place}.key = s.{_column(told, by)}")
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
            values = [None if name not in spec.set else _text(spec.set[name]) for name in sets]
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


def _text(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _sets(told: Translation) -> list[str]:
    return sorted({name for specs in told.mapping.kinds.values() for spec in specs for name in spec.set})


def _origin(told: Translation, spec: FieldSpec) -> str:
    """Return the SQL of a column's raw text."""
    if spec.field is not None:
        return f"r.{_column(told, spec.field)}"
    if spec.value is not None:
        return quoted(_text(spec.value))
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
                    unit = f"r.{_column(told, spec.unit_field)}"
                picks.append(f"{unit} as u_{name}")
        source = f"{told.prefix}_raw r"
        if mapping.events:
            whens = [
                "true" if w is None else
                f"coalesce(try(cast({rewrite(w, told.staged.columns)} as boolean)), false)"
                for w in rule_whens
            ]
            if kind is None:
                where = " and ".join(f"not {w}" for w in whens)
                picks += ["null::varchar as label", "null::varchar as k_kind", "0 as place", "true as no_event"]
            else:
                where = whens[place]
                text = quoted(kind)
                picks += [f"{text} as label", f"{text} as k_kind", f"{place} as place", "r.no_element as no_event"]
            picks.append(f"{ignore} as ignored")
            branches.append(f"select {', '.join(picks)} from {source} where {where}")
            continue
        label = _text_of(told, fields["kind"]) if "kind" in fields else "null::varchar"
        picks += [f"{label} as label", "k.kind as k_kind", "coalesce(k.place, 0) as place"]
        picks += ["r.no_element as no_event", f"coalesce({ignore}, k.ignored) as ignored"]
        picks += [f"k.set_{name}" for name in _sets(told)]
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
                f"insert into {table} values (?, ?)", [[k.strip(), _text(v)] for k, v in values.items()]
            )


def _value(told: Translation, name: str) -> str:
    """Return the SQL of a column's text after [values]."""
    if name not in told.mapped:
        return "null::varchar"
    return f"t.w_{name}" if name in told.mapping.values else f"t.t_{name}"


def _make_aliases(con: duckdb.DuckDBPyConnection, told: Translation, lists: SiteLists) -> None:
    """Look once at the distinct labels and units that occur; fold and normalise these instead of every row."""
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
    con.execute(f"create or replace temp table {table} (raw varchar, code varchar, shape varchar, base double)")
    rows_of_units = []
    for text in sorted({v for values in found[len(labels) :] for v in values}):
        code = unit_code(told.mapping, text)
        if code is not None:
            rows_of_units.append([text, code, str(UNITS[code].shape), UNITS[code].to_base])
    if rows_of_units:
        con.executemany(f"insert into {table} values (?, ?, ?, ?)", rows_of_units)


def unit_code(mapping: Mapping, text: str) -> str | None:
    """Return the UCUM code of a unit as a source writes it, its own spellings first."""
    code = normalise_unit(mapping.units.get(text, text))
    return code if code in UNITS else None


def _typed_select(told: Translation, lists: SiteLists) -> str:
    builder = _Typed(told, lists)
    return builder.select()


class _Typed:
    """Puts the SELECT of `typed` together."""

    def __init__(self, told: Translation, lists: SiteLists) -> None:
        self.told = told
        self.lists = lists
        self.inner: list[str] = []
        self.joins: list[str] = []
        self.bad_number: list[str] = []
        self.bad_unit: list[str] = []
        self.missing_unit: list[str] = []
        self.huge: list[str] = []
        self.unmapped: list[tuple[str, str]] = []
        self.outer: dict[str, str] = {}

    def select(self) -> str:
        told, mapping = self.told, self.told.mapping
        self._times()
        for name in MAPPABLE:
            column = COLUMNS[name]
            if name in ("kind", "device_time", "received_at"):
                continue
            if name in ("care_area", "entry"):
                self._label(name)
            elif name in _UNIT_NAMES:
                self._unit(name)
            elif column.type is ColumnType.REAL:
                self._number(name)
            elif column.type is ColumnType.INTEGER:
                self._whole(name)
            elif column.type is ColumnType.BOOLEAN:
                self._flag(name)
            elif column.allowed:
                self._coded(name)
            else:
                self.outer[name] = self._set(name, _value(told, name))
        self._alarm()
        self._pump()
        self._identity()
        return self._assemble()

    def _set(self, name: str, sql: str) -> str:
        """Let a label's `set` win over what the log says."""
        if name not in _sets(self.told):
            return sql
        return f"coalesce(try_cast(t.set_{name} as {COLUMNS[name].type.duckdb}), {sql})"

    def _times(self) -> None:
        told, options = self.told, self.told.mapping.time
        read = times.time_sql("t.t_device_time", options.format)
        self.inner += [f"{read.reading} as device_time", f"{read.offset_s} as offset_s"]
        self.inner.append("t.t_device_time as time_text")
        self.outer["device_time"] = "device_time"
        if "received_at" in told.mapped:
            pattern, zone = times.received_options(options)
            read = times.time_sql("t.t_received_at", pattern)
            self.inner += [f"{read.reading} as received_reading", f"{read.offset_s} as received_offset_s"]
            self.inner.append("t.t_received_at as received_text")
            name = times.zone_of(zone, told.site.settings.time_zone)
            self.outer["received_at"] = times.instant_sql("received_reading", "received_offset_s", name)
        else:
            self.inner.append("null::varchar as received_text")
            self.outer["received_at"] = "null::timestamptz"

    def _label(self, name: str) -> None:
        told = self.told
        if name not in told.mapped:
            self.outer[name] = self._set(name, "null::varchar")
            self.outer[f"{name}_logged"] = "null::varchar"
            return
        self.joins.append(f"left join {told.prefix}_alias_{name} a_{name} on a_{name}.raw = t.t_{name}")
        self.outer[name] = self._set(name, f"a_{name}.value")
        self.outer[f"{name}_logged"] = f"t.t_{name}"
        self.unmapped.append((name, f"a_{name}.value = '{UNMAPPED}'"))

    def _unit(self, name: str) -> None:
        """A unit column: from its own field, else from the unit that one of its values names."""
        told = self.told
        texts = [f"t.t_{name}"] if name in told.mapped else []
        values = [v for v, unit in UNIT_COLUMN.items() if unit == name and v in told.mapped]
        texts += [f"t.u_{v}" for v in values]
        if not texts:
            self.outer[name] = self._set(name, "null::varchar")
            return
        text = f"coalesce({', '.join(texts)})"
        self.joins.append(f"left join {told.prefix}_units n_{name} on n_{name}.raw = {text}")
        self.outer[name] = self._set(name, f"n_{name}.code")
        if values:
            given = " or ".join(f"t.t_{v} is not null" for v in values)
            self.bad_unit.append(f"({given}) and {text} is not null and n_{name}.code is null")

    def _number(self, name: str) -> None:
        told = self.told
        if name not in told.mapped:
            self.outer[name] = self._set(name, "null::double")
            return
        text = _value(told, name)
        plain = text
        strange = f"contains({text}, '_')"
        if told.mapping.decimal == ",":
            plain = f"replace({text}, ',', '.')"
            strange += f" or contains({text}, '.')"
        # the cast alone takes 1_000, nan and inf (a text is trimmed already, so it has no blanks to take)
        read = f"case when not ({strange}) then try_cast({plain} as double) end"
        read = f"case when isfinite({read}) then {read} end"
        self.inner.append(f"{read} as x_{name}")
        self.bad_number.append(f"(t.t_{name} is not null and x_{name} is null)")
        value = f"x_{name}"
        branch_specs = [fields.get(name) for _, fields in told.branches]
        specs = [s for s in branch_specs if s is not None]
        if name in FIXED_UNIT and any(s.unit_field is not None or s.unit is not None for s in specs):
            target = UNITS[FIXED_UNIT[name]]
            constant = {s.unit for s in specs}
            code = unit_code(told.mapping, next(iter(constant)) or "") if len(constant) == 1 else None
            if any(s.unit is not None for s in specs) and None not in constant:
                self._check_constant_units(name, specs)
            if code == FIXED_UNIT[name]:
                pass
            else:
                self.joins.append(f"left join {told.prefix}_units n_{name} on n_{name}.raw = t.u_{name}")
                fits = f"n_{name}.shape = {quoted(str(target.shape))}"
                value = (
                    f"case when n_{name}.code = '{target.code}' then x_{name} "
                    f"when {fits} then x_{name} * n_{name}.base / {target.to_base!r}::double end"
                )
                if all(s.unit is not None or s.unit_field is not None for s in specs):
                    self.missing_unit.append(f"(t.t_{name} is not null and t.u_{name} is null)")
                self.bad_unit.append(
                    f"(t.t_{name} is not null and t.u_{name} is not null and not coalesce({fits}, false))"
                )
        self.outer[name] = self._set(name, value)
        self.huge.append(f"abs(coalesce({value}, x_{name})) > 1e12")

    def _check_constant_units(self, name: str, specs: list[FieldSpec]) -> None:
        for spec in specs:
            code = unit_code(self.told.mapping, spec.unit or "")
            if code is None or UNITS[code].shape != UNITS[FIXED_UNIT[name]].shape:
                raise ConfigurationError(
                    f"fields.{name}: the unit {spec.unit!r} is not known, or cannot become {FIXED_UNIT[name]}",
                    where=self.told.site.sources / f"{self.told.mapping.name}.toml",
                    do="Write a UCUM unit, or add the spelling under [units]",
                )

    def _whole(self, name: str) -> None:
        if name not in self.told.mapped:
            self.outer[name] = self._set(name, "null::bigint")
            return
        text = _value(self.told, name)
        self.inner.append(
            rf"case when regexp_full_match({text}, '\d{{1,18}}') then try_cast({text} as bigint) end as x_{name}"
        )
        self.outer[name] = self._set(name, f"x_{name}")

    def _flag(self, name: str) -> None:
        if name not in self.told.mapped:
            self.outer[name] = self._set(name, "null::boolean")
            return
        text = f"lower({_value(self.told, name)})"
        self.inner.append(
            f"case when {text} in ('true', '1', 'yes') then true when {text} in ('false', '0', 'no') "
            f"then false end as x_{name}"
        )
        self.outer[name] = self._set(name, f"x_{name}")
        self.unmapped.append((name, f"t.t_{name} is not null and x_{name} is null"))

    def _coded(self, name: str) -> None:
        if name not in self.told.mapped:
            self.outer[name] = self._set(name, "null::varchar")
            return
        allowed = ", ".join(quoted(v) for v in COLUMNS[name].allowed)
        other = _UNKNOWN_VALUE.get(name)
        text = _value(self.told, name)
        fallback = "null" if other is None else f"case when {text} is not null then '{other}' end"
        self.outer[name] = self._set(name, f"case when {text} in ({allowed}) then {text} else {fallback} end")
        self.unmapped.append((name, f"{text} is not null and {text} not in ({allowed})"))

    def _alarm(self) -> None:
        """An alarm's kind, priority and effect: what the log says, else what its label is filed as."""
        told = self.told
        if "alarm_label" not in told.mapped:
            return
        self.joins.append(f"left join {told.prefix}_alarms al on al.label = t.t_alarm_label")
        logged = self.outer["alarm_kind"]
        self.outer["alarm_kind"] = (
            f"coalesce({logged}, al.kind, case when t.t_alarm_label is not null then 'other' end)"
        )
        self.outer["alarm_priority"] = f"coalesce({self.outer['alarm_priority']}, al.priority)"
        self.outer["stops_delivery"] = f"coalesce({self.outer['stops_delivery']}, al.stops)"
        self.unmapped.append(
            ("alarm", f"t.t_alarm_label is not null and ({logged}) is null and al.kind is null")
        )

    def _pump(self) -> None:
        self.outer["channel"] = f"coalesce({self.outer['channel']}, '')"
        if self.lists.pumps:
            self.joins.append("left join site_pumps sp on sp.pump = t.t_pump_id")
            for name in ("pump_model", "pump_type"):
                self.outer[name] = f"coalesce({self.outer[name]}, sp.{name})"
        if "library_use" in self.told.mapped or "library_use" in _sets(self.told):
            basis = self.outer["library_use_basis"]
            self.outer["library_use_basis"] = (
                f"coalesce({basis}, case when ({self.outer['library_use']}) is not null then 'logged' end)"
            )

    def _identity(self) -> None:
        """The texts that event_id and values_md5 are made from (values as logged, in plain form)."""
        told, mapping = self.told, self.told.mapping

        def part(sql: str) -> str:
            return f"coalesce({sql}, {_ABSENT})"

        def mapped(name: str) -> str:
            return self._plain(name) if name in told.mapped else "null"

        clock = "cast(device_time as varchar)"
        if told.zone is None:
            clock += " || coalesce(' ' || offset_s, '')"
        place = f"t.elem + {_PLACES} * t.place" if mapping.json_lines.each else "t.place"
        self.outer["record_place"] = f"cast({place} as bigint)"
        facility = quoted(told.site.settings.facility)
        if mapping.identity is not None:
            parts = [facility] + [
                part(f"t.{_column(told, raw)}") for raw in mapping.identity.fields
            ]
            self.inner.append("false as counted")
        else:
            sequence = "'s' || x_sequence" if "sequence" in told.mapped else "null"
            record_id = "'r' || t.t_record_id" if "record_id" in told.mapped else "null"
            long = [
                mapped(name)
                for name in (
                    "entry", "alarm_label", "rate_ml_h", "dose_value", "limit_value", "entered_value"
                )
            ]  # fmt: skip
            rest = f"concat({f', {_SEPARATOR}, '.join(part(sql) for sql in long)})"
            parts = [
                facility, part("t.t_pump_id"), part(mapped("channel")), part(clock), part("t.label"),
                f"coalesce({sequence}, {record_id}, {rest})",
            ]  # fmt: skip
            counted = " and ".join(
                sql for sql, there in (("x_sequence is null", "sequence" in told.mapped),
                                       ("t.t_record_id is null", "record_id" in told.mapped)) if there
            )  # fmt: skip
            self.inner.append(f"({counted or 'true'}) as counted")
        parts.append(f"({place})")
        self.inner.append(f"concat({f', {_SEPARATOR}, '.join(parts)}) as identity_text")
        logged = [part(clock), part("t.label")]
        for name in told.mapped:
            specs = [fields[name] for _, fields in told.branches if name in fields]
            if name in ("device_time", "received_at") or all(
                s.value is not None or s.lookup is not None for s in specs
            ):
                continue
            logged.append(part(self._plain(name)))
            if (name in UNIT_COLUMN or name in FIXED_UNIT) and any(s.unit_field for s in specs):
                logged.append(part(f"t.u_{name}"))
        self.inner.append(f"concat({f', {_SEPARATOR}, '.join(logged)}) as values_text")

    def _plain(self, name: str) -> str:
        if COLUMNS[name].type is ColumnType.REAL and self.told.mapping.decimal == ",":
            return f"replace(t.t_{name}, ',', '.')"
        return f"t.t_{name}"

    def _assemble(self) -> str:
        told, mapping = self.told, self.told.mapping
        self.unmapped.insert(0, ("kind", "t.k_kind is null"))
        sequence = "t.t_sequence is not null and x_sequence is null" if "sequence" in told.mapped else "false"
        inner = ",\n    ".join(self.inner)
        joins = "\n".join(self.joins)
        source = f"(select t.*, {inner} from {self._valued()} t) t"
        outer = dict(self.outer)
        outer["kind"] = "coalesce(t.k_kind, 'other')"
        outer["kind_logged"] = "t.label"
        outer["facility"] = quoted(told.site.settings.facility)
        outer["sequence_reliable"] = str(mapping.sequence_reliable).lower()
        outer["source_name"] = quoted(mapping.name)
        outer["source_record"] = "t.record"
        outer["time_resolution_s"] = f"{mapping.time.resolution_s!r}::double"
        flags = " or ".join(sql if sql.startswith("(") else f"({sql})" for _, sql in self.unmapped)
        items = ", ".join(f"case when {sql} then '{name}' end" for name, sql in self.unmapped)
        outer["unmapped"] = (
            f"case when {flags} then list_filter([{items}], lambda w: w is not null) else []::varchar[] end"
        )
        columns = [
            f'{outer[name]} as "{name}"' for name in TABLES["events"].names if name in outer
        ]
        placed = "true" if told.zone is not None else "t.offset_s is not null"
        extras = {
            "file_no": "t.file_no", "record": "t.record", "elem": "t.elem", "place": "t.place",
            "ignored": "t.ignored", "time_text": "time_text", "received_text": "received_text",
            "offset_s": "offset_s", "placed": placed,
            "instant": times.instant_sql("device_time", "offset_s", told.zone),
            "identity_text": "identity_text", "values_text": "values_text", "counted": "counted",
            "bad_number": " or ".join(self.bad_number) or "false",
            "bad_sequence": sequence,
            "bad_unit": " or ".join(f"coalesce({b}, false)" for b in self.bad_unit) or "false",
            "missing_unit": " or ".join(self.missing_unit) or "false",
            "huge_number": " or ".join(self.huge) or "false",
            "expression_failed": "t.expression_failed", "no_event": "t.no_event",
            "bad_number_columns": self._failing_columns(),
        }  # fmt: skip
        columns += [f"{sql} as {name}" for name, sql in extras.items()]
        raw = ", ".join(f"t.{c}" for c in told.staged.columns.values())
        return f"select\n    " + ",\n    ".join(columns) + (f",\n    {raw}" if raw else "") + f"\nfrom {source}\n{joins}"

    def _valued(self) -> str:
        """Return the texts with those of [values] put in their place beside them."""
        told = self.told
        names = [n for n in told.mapping.values if n in told.mapped and n not in ("care_area", "entry")]
        if not names:
            return told.texts
        picks = "".join(f", coalesce(v_{n}.value, t.t_{n}) as w_{n}" for n in names)
        joins = " ".join(
            f"left join {told.prefix}_values_{n} v_{n} on v_{n}.raw = t.t_{n}" for n in names
        )
        return f"(select t.*{picks} from {told.texts} t {joins})"

    def _failing_columns(self) -> str:
        items = [
            f"case when t.t_{name} is not null and x_{name} is null then '{name}' end"
            for name in self.told.mapped
            if COLUMNS[name].type is ColumnType.REAL
        ]
        return f"list_filter([{', '.join(items)}]::varchar[], lambda w: w is not null)"
