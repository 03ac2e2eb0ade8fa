"""A draft put together: what was found, as a mapping in TOML with its reasons beside it."""

from __future__ import annotations

import re
from collections.abc import Mapping as Map
from pathlib import Path
from typing import Any, Final

from dripledger.drafting import toml
from dripledger.drafting.clock import CENTURY_FROM, Clock
from dripledger.drafting.codes import CODED
from dripledger.drafting.evidence import gapless
from dripledger.drafting.fields import LIKELY, SURE, Fields, Found
from dripledger.drafting.filing import Filing, file_labels, records_of, unit_lines
from dripledger.drafting.missing import not_found
from dripledger.drafting.profile import Profile
from dripledger.drafting.sample import Head, Sample
from dripledger.schema.units import normalise_unit
from dripledger.sources.opening import plain_name
from dripledger.sources.parts import FIXED_UNIT, MAPPABLE, UNIT_COLUMN, UNKNOWN_PUMP
from dripledger.sources.time_formats import EPOCHS

#: Units that a value is taken to be in where nothing says.
_USUAL: Final = {
    "rate_ml_h": "mL/h", "previous_rate_ml_h": "mL/h", "weight_kg": "kg", "volume_to_infuse_ml": "mL",
    "volume_delivered_ml": "mL", "syringe_size_ml": "mL", "programmed_duration_s": "s",
}  # fmt: skip
#: What differs from one export to the next in a name: a date, or a long number; "q3" stays.
_DATED: Final = re.compile(r"\d+(?:[-_.]\d+)+|\d{3,}|(?<![^\W\d_])\d+$")


class Composer:
    """Writes one draft.

    Parameters
    ----------
    head, sample
        The file and its first records.
    columns
        Their profiles.
    fields, clock
        What was found.
    safe
        Raw fields that a person declared safe to read and to show.
    """

    def __init__(
        self,
        head: Head,
        sample: Sample,
        columns: Map[str, Profile],
        fields: Fields,
        clock: Clock,
        safe: frozenset[str],
    ) -> None:
        self.head, self.sample, self.columns = head, sample, columns
        self.fields, self.clock, self.safe = fields, clock, safe
        self.assumed = [*sample.assumed, *clock.assumed]
        self.used: set[str] = set(clock.columns)
        self.unit_columns: list[str] = []
        self.waiting: set[str] = set()

    def write(self) -> str:
        """Return the draft."""
        options = dict(self.sample.options)
        self._decimal(options)
        if "encoding" in options and options["encoding"] == "windows-1252":
            self.assumed.append(
                "encoding: the file is no UTF-8, and nothing tells eight-bit encodings apart; "
                "windows-1252 is the usual one"
            )
        fields = self._fields()
        kinds = self._profile("kind")
        filing = file_labels(kinds, self._profile("alarm_label"), self._codes(), self.fields.letters)
        if kinds is None:
            self.assumed.append("fields.kind: no column tells what happened; every record is 'other'")
        self.assumed += filing.assumed
        self.assumed.append("records: what this source can log; only what the sample shows stands there")
        return "\n".join(
            [
                *self._top(filing),
                *self._options(options),
                *self._time(),
                *fields,
                *self._missing(filing),
                *filing.lines,
                *unit_lines(self.columns[name] for name in self.unit_columns),
                *self._personal(),
                *self._examples(),
                "",
            ]
        )

    def _profile(self, target: str) -> Profile | None:
        name = self.fields.column(target)
        return None if name is None else self.columns[name]

    def _codes(self) -> dict[str, Profile]:
        told = {column: self._profile(column) for column in CODED}
        return {column: profile for column, profile in told.items() if profile is not None}

    def _top(self, filing: Filing) -> list[str]:
        lines = toml.comment(
            f"Drafted from the first {self.sample.records} records of the export. Check every "
            f"line; take each "
            "sentence out of 'assumed' once you know; ingest refuses until it is empty. Try it with "
            "'dripledger map try'."
        )
        for note in [*self.head.notes, *self.sample.notes, *self.clock.notes]:
            lines += toml.comment(f"{note[0].upper()}{note[1:]}.")
        lines += ["assumed = ["]
        lines += [f"    {toml.string(text)}," for text in self.assumed]
        lines += ["]", ""]
        lines.append(toml.told("name", source_name(self.head.path)))
        lines.append(toml.told("pattern", [pattern_of(self.head.path)]))
        lines.append(toml.told("shape", self.sample.shape, self.sample.why))
        lines += toml.comment(
            "Every kind that this source can log, whether the sample shows it or not: a measure that needs "
            "another one is not measurable."
        )
        lines.append(f"records = {toml.array(records_of(filing.kinds))}")
        return [*lines, *self._reliability()]

    def _reliability(self) -> list[str]:
        numbers, pump, channel = (self._profile(t) for t in ("sequence", "pump_id", "channel"))
        if numbers is None:
            return []
        # a counter is that of a pump, or of each channel of it; without a pump's name there is but one
        inside: dict[str, tuple[Profile, ...]] = {"": ()} if pump is None else {", counted by pump": (pump,)}
        if channel is not None and pump is not None:
            inside[", counted by pump and channel"] = (pump, channel)
        whole = [words for words, groups in inside.items() if gapless(numbers, *groups)]
        why = (
            f"no number is missing in the sample{whole[0]}; true where the pump numbers without holes"
            if whole
            else f"numbers are missing in the sample{next(iter(inside))}"
        )
        return [toml.told("sequence_reliable", False, why)]

    def _decimal(self, options: dict[str, Any]) -> None:
        numbers = [
            self.columns[f.column]
            for t, f in self.fields.found.items()
            if t in FIXED_UNIT or t in UNIT_COLUMN or t == "bolus_dose_value"
        ]
        marks = {m: sum(p.marks[m] for p in numbers) for m in (".", ",", "either")}
        if not numbers:
            return
        if marks["."] or marks[","]:
            options["decimal"] = "." if marks["."] >= marks[","] else ","
            if marks["."] and marks[","]:
                self.assumed.append(
                    f"decimal: {marks['.']} numbers have a point and {marks[',']} a comma; the "
                    f"others will wait"
                )
            return
        likelier = "," if options.get("separator") == ";" else "."
        options["decimal"] = likelier
        if marks["either"]:
            points = sum("." in t for p in numbers for t in p.texts)
            likelier = "." if points else ","
            options["decimal"] = likelier
            self.assumed.append(
                f"decimal: {marks['either']} numbers have three digits behind their mark, which could part "
                f"thousands; {likelier!r} is taken for the decimal mark"
            )
        elif self.sample.shape not in ("json_lines", "json_array", "workbook"):
            self.assumed.append(f"decimal: no number of the sample has a decimal mark; {likelier!r} is taken")
        else:
            del options["decimal"]

    def _options(self, options: Map[str, Any]) -> list[str]:
        if not options:
            return []
        lines = ["", f"[{self.sample.shape}]"]
        for name, written in options.items():
            if name == "columns":
                lines.append("columns = [")
                lines += [f"    {toml.value(column)}," for column in written]
                lines.append("]")
            else:
                lines.append(toml.told(name, written))
        return lines

    def _time(self) -> list[str]:
        clock = self.clock
        lines = ["", "[time]", toml.told("format", clock.pattern), toml.told("zone", clock.zone)]
        lines.append(toml.told("resolution_s", int(clock.resolution_s)))
        if clock.received is not None and clock.received[1] != clock.pattern:
            lines.append(toml.told("received_format", clock.received[1]))
            if (clock.received[1] in EPOCHS) != (clock.pattern in EPOCHS):
                lines.append(toml.told("received_zone", "UTC" if clock.received[1] in EPOCHS else "site"))
        if clock.short_years:
            lines.append(toml.told("two_digit_years_from", CENTURY_FROM))
        return lines

    def _fields(self) -> list[str]:
        lines = ["", "[fields]"]
        found = self.fields.found
        waiting: list[str] = []
        for target in MAPPABLE:
            if target == "device_time":
                lines.append(
                    toml.told(target, self._time_spec(), f"{_sure(self.clock.score)}: {self.clock.why}")
                )
            elif target == "received_at" and self.clock.received is not None:
                self.used.add(self.clock.received[0])
                lines.append(toml.told(target, self.clock.received[0], "likely: its header says so"))
            elif target in found:
                self._field(target, found[target], lines, waiting)
            elif target == "pump_id":
                lines.append(toml.told(target, {"value": UNKNOWN_PUMP}, "no column names the pump"))
                self.assumed.insert(
                    0, "fields.pump_id: no column names the pump; write its name, or its field"
                )
            elif target == "kind":
                lines.append(toml.told(target, {"value": "other"}, "no column tells what happened"))
        for name, p in self.columns.items():
            if p.cells and self._is_unread(name):
                self.used.add(name)
                waiting += self._cells(None, name)
        if waiting:
            lines += toml.comment("Not read until somebody says in which unit:")
        return [*lines, *waiting]

    def _missing(self, filing: Filing) -> list[str]:
        found = self.fields.found.keys() - self.waiting
        told = list(not_found(found, filing.kinds, filing.said))
        head = toml.comment("No column was found for these. Write in its field if there is one; without it:")
        few = [name for name, p in self.columns.items() if self._is_unread(name) and p.is_few_words]
        if few and not found.issuperset(CODED):
            told.append(f"One of these columns of few words may hold them: {', '.join(few)}")
        return [*head, *(line for text in told for line in toml.comment(text))] if told else []

    def _is_unread(self, name: str) -> bool:
        return name not in self.used and name not in self.fields.personal

    def _time_spec(self) -> str | dict[str, str]:
        if not self.clock.columns:
            return {"expr": "nullif('', '')"}
        if len(self.clock.columns) == 1:
            return self.clock.columns[0]
        quoted = ['"' + name.replace('"', '""') + '"' for name in self.clock.columns]
        return {"expr": " || ' ' || ".join(quoted)}

    def _field(self, target: str, told: Found, lines: list[str], waiting: list[str]) -> None:
        why = f"{told.sure}: {told.why}"
        if told.score < (SURE if target == "pump_id" else LIKELY):
            self.assumed.append(
                f"fields.{target}: {told.column!r} is {'a guess' if told.score < LIKELY else 'likely'}"
            )
        spec: str | dict[str, Any] = told.column
        if target in ("patient_key", "order_key"):
            spec = {"field": told.column, "personal": "key"}
        elif target in FIXED_UNIT or target in UNIT_COLUMN:
            unit = self.fields.units.get(told.column)
            if self.columns[told.column].cells:
                self.used.add(told.column)
                if unit is None or unit.code is None:
                    waiting += self._cells(target, told.column)
                    return
                spec = {"expr": _number_of(self.columns[told.column]), "unit": unit.code}
            elif unit is not None and unit.column is not None:
                spec = {"field": told.column, "unit_field": unit.column}
                self.used.add(unit.column)
                self.unit_columns.append(unit.column)
            elif unit is not None and unit.code is not None:
                spec = {"field": told.column, "unit": unit.code}
            elif target == "weight_kg" and self._heavy(told.column):
                waiting.append(f"# {toml.told(target, {'field': told.column, 'unit': ''}, why)}")
                return
            elif target in _USUAL:
                spec = {"field": told.column, "unit": _USUAL[target]}
                self.assumed.append(f"fields.{target}: nothing says its unit; {_USUAL[target]} is taken")
            else:
                text = toml.told(target, {"field": told.column, "unit": ""}, why)
                waiting.append(f"# {text}")
                self.waiting.add(target)
                return
        self.used.add(told.column)
        lines.append(toml.told(target, spec, why))

    def _heavy(self, column: str) -> bool:
        """Whether most values are above what a person weighs in kilograms: grams, perhaps."""
        numbers = [t for t in self.columns[column].texts if t.isdigit() and int(t) > 400]
        return len(numbers) > 0.5 * len(self.columns[column].texts)

    def _cells(self, target: str | None, column: str) -> list[str]:
        told = self.columns[column].cells
        units = ", ".join(toml.string(unit) for unit, _ in told.most_common(6))
        lines = toml.comment(f"{toml.string(column)} holds a number and its unit in one cell ({units}):")
        parts = _number_of(self.columns[column]), _unit_of(self.columns[column])
        number, unit = (toml.value({"expr": part}) for part in parts)
        if target in UNIT_COLUMN:
            return [*lines, f"# {target} = {number}", f"# {UNIT_COLUMN[target]} = {unit}"]
        if len(told) == 1:
            whole = {"expr": parts[0], "unit": normalise_unit(next(iter(told)))}
            return [*lines, *toml.comment(f"read it as {toml.value(whole)}")]
        return [
            *lines,
            *toml.comment(f"the number is {number}, the unit {unit}; convert by it (case when ...)"),
        ]

    def _personal(self) -> list[str]:
        masked = [
            name
            for name in self.sample.values
            if name not in self.used and name not in self.fields.keyed and name not in self.safe
        ]
        if not masked:
            return []
        lines = ["", "[personal]"]
        lines += toml.comment(
            "Whatever is not read above is masked, so that it is looked at nowhere; take out what is safe."
        )
        lines.append("mask = [")
        for name in masked:
            why = self.fields.personal.get(name, "not known to be safe" if name in self.columns else "empty")
            lines.append(f"    {toml.string(name)},  # {' '.join(toml.comment(why))[2:]}")
        return [*lines, "]"]

    def _examples(self) -> list[str]:
        shown = [name for name in self.sample.values if name in self.safe and name in self.columns]
        if not shown:
            return []
        lines = ["", *toml.comment("Declared safe; the most frequent values:")]
        for name in shown:
            common = ", ".join(toml.string(text) for text, _ in self.columns[name].counts.most_common(3))
            lines += toml.comment(f"{toml.string(name)}: {common}")
        return lines


def _number_of(column: Profile) -> str:
    """Return the expression of the number in a cell that holds its unit as well."""
    return _piece(column, 1, "^[-+]?[0-9.,]+")


def _unit_of(column: Profile) -> str:
    return _piece(column, 2, "[^-+0-9., ].*$")


def _piece(column: Profile, place: int, pattern: str) -> str:
    quoted = column.name.replace('"', '""')
    if column.glued:
        return f"regexp_extract(\"{quoted}\", '{pattern}')"
    return f"split_part(\"{quoted}\", ' ', {place})"


def _sure(score: float) -> str:
    return Found("", "", score, "").sure


def _below_inbox(path: Path) -> tuple[str, ...]:
    """Return the parts of a path below the inbox; its name alone where it does not lie in one."""
    parts = path.resolve().parts
    if "inbox" not in parts[:-1]:
        return parts[-1:]
    return parts[len(parts) - parts[::-1].index("inbox") :]


def source_name(path: Path) -> str:
    """Return a name for a source: its file's name without dates and long numbers, else that of its folder."""
    *folders, file = _below_inbox(path)
    stem = plain_name(file).rpartition(".")[0] or plain_name(file)
    for text in (_DATED.sub("", stem), *reversed(folders)):
        name = re.sub(r"[^A-Za-z0-9]+", "_", text).strip("_").lower()
        if name:
            return name
    return "export"


def pattern_of(path: Path) -> str:
    """Return the pattern that exports named like this one fit."""
    *folders, file = _below_inbox(path)
    stem, dot, ending = plain_name(file).rpartition(".")
    stem = re.sub(r"\d+", "*", stem if dot else ending)
    stem = re.sub(r"\*([-_. ]?\*)+", "*", stem)
    name = f"{stem}{dot}{ending}" if dot else stem
    return re.sub(r"[\[\]?]", "?", "/".join([*folders, name]))
