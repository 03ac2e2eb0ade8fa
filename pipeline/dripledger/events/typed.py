"""The relation `typed`: canonical columns, and what is wrong with an event."""

from __future__ import annotations

from typing import Final

from dripledger.errors import ConfigurationError
from dripledger.events import times
from dripledger.events.lists import SiteLists
from dripledger.events.translation import (
    Translation,
    column_of,
    set_columns,
    unit_code,
    value_sql,
)
from dripledger.schema import TABLES, ColumnType
from dripledger.schema.codes import UNMAPPED
from dripledger.schema.columns import COLUMNS
from dripledger.schema.units import UNITS
from dripledger.sources.mapping import mapping_file
from dripledger.sources.parts import FIXED_UNIT, MAPPABLE, UNIT_COLUMN, FieldSpec
from dripledger.sources.staging import quoted

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


class TypedSelect:
    """Puts the SELECT of `typed` together."""

    def __init__(self, told: Translation, lists: SiteLists) -> None:
        self.told = told
        self.lists = lists
        self.first: list[str] = []
        self.inner: list[str] = []
        self.joins: list[str] = []
        self.bad_number: list[str] = []
        self.bad_unit: list[str] = []
        self.missing_unit: list[str] = []
        self.huge: list[str] = []
        self.unmapped: list[tuple[str, str]] = []
        self.outer: dict[str, str] = {}

    def select(self) -> str:
        """Return the SELECT."""
        told = self.told
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
                self.outer[name] = self._set(name, value_sql(told, name))
        self._alarm()
        self._pump()
        self._identity()
        return self._assemble()

    def _set(self, name: str, sql: str) -> str:
        """Let a label's `set` win over what the log says."""
        if name not in set_columns(self.told):
            return sql
        return f"coalesce(try_cast(t.set_{name} as {COLUMNS[name].type.duckdb}), {sql})"

    def _times(self) -> None:
        told, options = self.told, self.told.mapping.time
        read = self._time("device_time", options.format)
        self.inner += [f"{read.reading} as device_time", f"{read.offset_s} as offset_s"]
        self.inner.append("t.t_device_time as time_text")
        self.outer["device_time"] = "device_time"
        if "received_at" in told.mapped:
            pattern, zone = times.received_options(options)
            read = self._time("received_at", pattern)
            self.inner += [f"{read.reading} as received_reading", f"{read.offset_s} as received_offset_s"]
            self.inner.append("t.t_received_at as received_text")
            name = times.zone_of(zone, told.site.settings.time_zone)
            self.outer["received_at"] = times.instant_sql("received_reading", "received_offset_s", name)
        else:
            self.inner.append("null::varchar as received_text")
            self.outer["received_at"] = "null::timestamptz"

    def _time(self, name: str, pattern: str) -> times.TimeSql:
        text, plain = f"t.t_{name}", None
        if pattern == "iso":
            plain = f"t.p_{name}"
            self.first.append(f"{times.plain_sql(text)} as p_{name}")
        return times.time_sql(text, pattern, self.told.mapping.time.two_digit_years_from, plain)

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
        """Take a unit from its own field, else from the unit that one of its values names."""
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
        text = value_sql(told, name)
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
                    f"fields.{name}: the unit {spec.unit!r} is not known, or cannot become "
                    f"{FIXED_UNIT[name]}",
                    where=mapping_file(self.told.site, self.told.mapping.name),
                    do="Write a UCUM unit, or add the spelling under [units]",
                )

    def _whole(self, name: str) -> None:
        if name not in self.told.mapped:
            self.outer[name] = self._set(name, "null::bigint")
            return
        text = value_sql(self.told, name)
        # a number that is written out as the very text it came from needs no pattern, which costs more
        self.first.append(f"try_cast({text} as bigint) as p_{name}")
        read, last = f"t.p_{name}", 10**18
        plain = f"{read} >= 0 and {read} < {last} and cast({read} as varchar) = {text}"
        self.inner.append(
            rf"case when ({plain}) or regexp_full_match({text}, '\d{{1,18}}') then {read} end as x_{name}"
        )
        self.outer[name] = self._set(name, f"x_{name}")

    def _flag(self, name: str) -> None:
        if name not in self.told.mapped:
            self.outer[name] = self._set(name, "null::boolean")
            return
        text = f"lower({value_sql(self.told, name)})"
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
        text = value_sql(self.told, name)
        fallback = "null" if other is None else f"case when {text} is not null then '{other}' end"
        self.outer[name] = self._set(name, f"case when {text} in ({allowed}) then {text} else {fallback} end")
        self.unmapped.append((name, f"{text} is not null and {text} not in ({allowed})"))

    def _alarm(self) -> None:
        """Take an alarm's kind, priority and effect from the log, else from what its label is filed as."""
        told = self.told
        if "alarm_label" not in told.mapped and "alarm_label" not in set_columns(told):
            return
        label = self.outer["alarm_label"]
        self.joins.append(f"left join {told.prefix}_alarms al on al.label = {label}")
        logged = self.outer["alarm_kind"]
        self.outer["alarm_kind"] = (
            f"coalesce({logged}, al.kind, case when {label} is not null then 'other' end)"
        )
        self.outer["alarm_priority"] = f"coalesce({self.outer['alarm_priority']}, al.priority)"
        self.outer["stops_delivery"] = f"coalesce({self.outer['stops_delivery']}, al.stops)"
        self.unmapped.append(("alarm", f"{label} is not null and ({logged}) is null and al.kind is null"))

    def _pump(self) -> None:
        self.outer["channel"] = f"coalesce({self.outer['channel']}, '')"
        if self.lists.pumps:
            self.joins.append("left join site_pumps sp on sp.pump = t.t_pump_id")
            for name in ("pump_model", "pump_type"):
                self.outer[name] = f"coalesce({self.outer[name]}, sp.{name})"
        if "library_use" in self.told.mapped or "library_use" in set_columns(self.told):
            basis = self.outer["library_use_basis"]
            self.outer["library_use_basis"] = (
                f"coalesce({basis}, case when ({self.outer['library_use']}) is not null then 'logged' end)"
            )

    def _identity(self) -> None:
        """Write the texts that event_id and values_digest are made from: values as logged, in plain form."""
        told, mapping = self.told, self.told.mapping

        def part(sql: str) -> str:
            return f"coalesce({sql}, {_ABSENT})"

        def mapped(name: str) -> str:
            return self._plain(name) if name in told.mapped else "null"

        clock = "cast(device_time as varchar)"
        if mapping.time.format == "iso":
            # written out, it is the very text that was read, and that is at hand
            clock = f"case when t.p_device_time is not null then t.t_device_time else {clock} end"
        if told.zone is None:
            clock += " || coalesce(' ' || offset_s, '')"
        unique = f"t.elem + {_PLACES} * t.place" if mapping.each else "t.place"
        self.outer["record_place"] = f"cast({unique} as bigint)"
        facility = quoted(told.site.settings.facility)
        if mapping.identity is not None:
            parts = [facility] + [part(f"t.{column_of(told, raw)}") for raw in mapping.identity.fields]
            self.inner.append("false as counted")
            own = any(raw.startswith("item.") for raw in mapping.identity.fields)
            place = "t.place" if own else unique
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
            # where an element stands in its list differs from export to export, as row numbers do
            place = "t.place"
        self.inner.append(f"cast({place} as bigint) as own_place")
        parts.append("own_place")
        self.inner.append(f"concat({f', {_SEPARATOR}, '.join(parts)}) as identity_text")
        # values are compared within one identity only: what is part of it need not be said again
        said: set[str] = set()
        if mapping.identity is None:
            said = {"pump_id", "channel", "sequence"}
        logged = [] if said else [part(clock), part("t.label")]
        for name in told.mapped:
            if name in said:
                continue
            specs = [fields[name] for _, fields in told.branches if name in fields]
            if name in ("device_time", "received_at") or all(
                s.value is not None or s.lookup is not None for s in specs
            ):
                continue
            logged.append(part(self._plain(name)))
            if (name in UNIT_COLUMN or name in FIXED_UNIT) and any(s.unit_field for s in specs):
                logged.append(part(f"t.u_{name}"))
        # no other value: the text is empty
        logged = logged or [quoted("")]
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
        first = "".join(f", {sql}" for sql in self.first)
        told_texts = f"(select t.*{first} from {self._valued()} t)" if first else self._valued()
        source = f"(select t.*, {inner} from {told_texts} t) t"
        outer = dict(self.outer)
        told.never = frozenset(name for name, sql in outer.items() if sql.startswith("null::"))
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
        columns = [f'{outer[name]} as "{name}"' for name in TABLES["events"].names if name in outer]
        placed = "true" if told.zone is not None else "t.offset_s is not null"
        extras = {
            "file_no": "t.file_no", "record": "t.record", "elem": "t.elem", "place": "t.place",
            "own_place": "t.own_place",
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
        return (
            "select\n    "
            + ",\n    ".join(columns)
            + (f",\n    {raw}" if raw else "")
            + f"\nfrom {source}\n{joins}"
        )

    def _valued(self) -> str:
        """Return the texts with those of [values] put in their place beside them."""
        told = self.told
        names = [n for n in told.mapping.values if n in told.mapped and n not in ("care_area", "entry")]
        if not names:
            return told.texts
        picks = "".join(f", coalesce(v_{n}.value, t.t_{n}) as w_{n}" for n in names)
        joins = " ".join(f"left join {told.prefix}_values_{n} v_{n} on v_{n}.raw = t.t_{n}" for n in names)
        return f"(select t.*{picks} from {told.texts} t {joins})"

    def _failing_columns(self) -> str:
        items = [
            f"case when t.t_{name} is not null and x_{name} is null then '{name}' end"
            for name in self.told.mapped
            if COLUMNS[name].type is ColumnType.REAL
        ]
        return f"list_filter([{', '.join(items)}]::varchar[], lambda w: w is not null)"
