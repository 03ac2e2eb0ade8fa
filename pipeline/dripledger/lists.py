"""The lists that a person keeps beside ``site.toml``: pumps, clocks, service, changes, entries, reviews.

Every complaint names file, row and column.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Final

from dripledger.errors import ConfigurationError

#: No pump clock is further off than this, common practice, no source: ten years, so that its default date
#: after a flat battery can still be corrected.
_LARGEST_OFFSET_S: Final = 10 * 366 * 86400


def fold(text: str) -> str:
    """Fold case and runs of white space: how labels are compared, and names that a person types."""
    return " ".join(text.split()).casefold()


@dataclass(frozen=True, slots=True)
class PumpRow:
    """One row of ``pumps.csv``."""

    pump: str
    model: str | None
    type: str | None
    home_area: str | None
    in_service_from: date | None
    in_service_to: date | None


@dataclass(frozen=True, slots=True)
class ClockRow:
    """One row of ``clocks.csv``: from that reading of the pump's own clock on, pump minus true time."""

    pump: str
    from_clock: datetime | None
    offset_s: float


@dataclass(frozen=True, slots=True)
class ServiceRow:
    """One row of ``service.csv``: local times of the facility, half-open."""

    pump: str
    from_local: datetime | None
    to_local: datetime | None
    context: str


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One row of ``changes.csv``; `new_limits`: figures are expected to move, so charts start anew.

    Of the `measures` named, or of all where none is.
    """

    date: date
    area: str | None
    what: str
    new_limits: bool = False
    measures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class EntryRow:
    """One row of ``entries.csv``: an entry, its high-alert flag, other spellings."""

    entry: str
    high_alert: bool
    aliases: tuple[str, ...]


#: What a person can find a case to be.
DISPOSITIONS: Final = ("intended", "slip", "artefact", "undecided")


@dataclass(frozen=True, slots=True)
class ReviewRow:
    """One row of ``reviews.csv``: what a case was found to be, and when; never by whom.

    `row` is where it stands in the file, the header being row 1.
    """

    case: str
    disposition: str
    date: date
    row: int = 0


@dataclass(frozen=True, slots=True)
class Line:
    """One row of a person's list, with what is needed to complain about it."""

    path: Path
    number: int
    values: dict[str, str]

    def wrong(self, column: str, what: str) -> ConfigurationError:
        """Return an error at this row and column."""
        return ConfigurationError(what, where=self.path, row=self.number, column=column)

    def text(self, column: str) -> str | None:
        """Return the value without white space around it; None where it is empty."""
        return self.values.get(column, "").strip() or None

    def need(self, column: str) -> str:
        """Return the value, which may not be empty."""
        value = self.text(column)
        if value is None:
            raise self.wrong(column, "is empty")
        return value

    def day(self, column: str) -> date | None:
        """Return the value as a date."""
        value = self.text(column)
        if value is None:
            return None
        try:
            return date.fromisoformat(value)
        except ValueError:
            raise self.wrong(column, f"{value!r} is no date; write it as 2026-10-31") from None

    def clock(self, column: str) -> datetime | None:
        """Return the value as a clock reading, without offset."""
        value = self.text(column)
        if value is None:
            return None
        try:
            read = datetime.fromisoformat(value)
        except ValueError:
            raise self.wrong(column, f"{value!r} is no time; write it as 2026-10-31 14:05") from None
        if read.tzinfo is not None:
            raise self.wrong(column, f"{value!r} carries an offset; write the clock reading without one")
        return read

    def number_of(self, column: str) -> float:
        """Return the value as a finite number."""
        value = self.need(column)
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise self.wrong(column, f"{value!r} is no number")
        return number

    def in_order(self, first: str, last: str, begins: date | None, ends: date | None) -> None:
        """Refuse a stretch that ends before it begins."""
        if begins is not None and ends is not None and ends < begins:
            raise self.wrong(last, f"{self.text(last)!r} is before {first!r} ({self.text(first)})")

    def yes(self, column: str) -> bool:
        """Return whether the value is yes; empty is no."""
        value = (self.text(column) or "no").lower()
        if value not in ("yes", "no"):
            raise self.wrong(column, f"{value!r} is neither yes nor no")
        return value == "yes"

    def one_of(self, column: str, allowed: tuple[str, ...]) -> str:
        """Return the value, which must be one of a few."""
        value = self.need(column).lower()
        if value not in allowed:
            raise self.wrong(column, f"{value!r} is none of {', '.join(allowed)}")
        return value


def check_header(
    path: Path, header: list[str], required: tuple[str, ...], optional: tuple[str, ...] = ()
) -> None:
    """Refuse a header that lacks a required column or has one that is not known."""
    missing = [name for name in required if name not in header]
    unknown = [name for name in header if name not in (*required, *optional)]
    if missing or unknown:
        told = [f"lacks the column {name!r}" for name in missing]
        if 2 * len(missing) <= len(required):
            told += [f"has an unknown column {name!r}" for name in unknown]
        elif unknown:
            # a line that is no header of this list may be a record, and name somebody: it is not shown
            told.append(f"has {len(unknown)} columns that this list does not know: is it the right file?")
        wanted = ", ".join(required) + (f" (and, if wanted, {', '.join(optional)})" if optional else "")
        raise ConfigurationError("; ".join(told), where=path, row=1, do=f"Its columns are: {wanted}")


def read_list(path: Path, required: tuple[str, ...], optional: tuple[str, ...] = ()) -> Iterator[Line]:
    """Read a person's CSV list: UTF-8, a header with known columns only, commas or all semicolons."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise ConfigurationError("is not UTF-8 text", where=path, do="Save it as UTF-8") from None
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", where=path) from None
    first = text.partition("\n")[0]
    separator = ";" if ";" in first and "," not in first else ","
    reader = csv.DictReader(text.splitlines(), restkey="", strict=True, delimiter=separator)
    header = [name.strip() for name in reader.fieldnames or []]
    check_header(path, header, required, optional)
    reader.fieldnames = header
    try:
        for number, row in enumerate(reader, start=2):
            if "" in row:
                raise ConfigurationError(
                    "has more values than the header has columns", where=path, row=number
                )
            yield Line(path, number, {key: value or "" for key, value in row.items()})
    except csv.Error as error:
        raise ConfigurationError(f"is no proper CSV: {error}", where=path) from None


def read_pumps(path: Path) -> Iterator[PumpRow]:
    """Read ``pumps.csv``."""
    for line in read_list(
        path, ("pump",), ("model", "type", "home_area", "in_service_from", "in_service_to")
    ):
        begins, ends = line.day("in_service_from"), line.day("in_service_to")
        line.in_order("in_service_from", "in_service_to", begins, ends)
        yield PumpRow(
            line.need("pump"), line.text("model"), line.text("type"), line.text("home_area"), begins, ends
        )


def read_clocks(path: Path) -> Iterator[ClockRow]:
    """Read ``clocks.csv``."""
    for line in read_list(path, ("pump", "from", "offset_s")):
        offset_s = line.number_of("offset_s")
        if abs(offset_s) > _LARGEST_OFFSET_S:
            raise line.wrong(
                "offset_s", f"{line.text('offset_s')!r} is more than ten years; it is in seconds"
            )
        yield ClockRow(line.need("pump"), line.clock("from"), offset_s)


def read_service(path: Path) -> Iterator[ServiceRow]:
    """Read ``service.csv``."""
    for line in read_list(path, ("pump", "from", "to", "context")):
        context = line.one_of("context", ("clinical", "maintenance", "training", "unknown"))
        begins, ends = line.clock("from"), line.clock("to")
        line.in_order("from", "to", begins, ends)
        yield ServiceRow(line.need("pump"), begins, ends, context)


def read_changes(path: Path) -> Iterator[ChangeRow]:
    """Read ``changes.csv``."""
    for line in read_list(path, ("date", "what"), ("area", "new_limits", "measures")):
        day = line.day("date")
        if day is None:
            raise line.wrong("date", "is empty")
        measures = tuple((line.text("measures") or "").replace("|", " ").split())
        yield ChangeRow(day, line.text("area"), line.need("what"), line.yes("new_limits"), measures)


def read_entries(path: Path) -> Iterator[EntryRow]:
    """Read ``entries.csv``."""
    for line in read_list(path, ("entry",), ("high_alert", "aliases")):
        aliases = tuple(a.strip() for a in (line.text("aliases") or "").split("|") if a.strip())
        yield EntryRow(line.need("entry"), line.yes("high_alert"), aliases)


def read_reviews(path: Path) -> Iterator[ReviewRow]:
    """Read ``reviews.csv``; a case stands once, for what was found last is what counts."""
    seen: dict[str, int] = {}
    for line in read_list(path, ("case", "disposition", "date")):
        day, case = line.day("date"), line.need("case")
        if day is None:
            raise line.wrong("date", "is empty")
        if case in seen:
            raise line.wrong("case", f"{case!r} stands in row {seen[case]} already; keep what was found last")
        seen[case] = line.number
        yield ReviewRow(case, line.one_of("disposition", DISPOSITIONS), day, line.number)
