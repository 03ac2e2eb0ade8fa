"""`library compare`: what a new library loosens, tightens, adds and drops against an old one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Final

import pyarrow as pa

from dripledger.errors import ConfigurationError
from dripledger.library.rows import LIMITS, LimitRow, six_digits
from dripledger.schema.units import convert

#: What can have become of a limit; `unit_changed`: the two cannot be compared, or, of a dosing unit, that the
#: same dose is another number on the pump.
CHANGES: Final = ("loosened", "tightened", "added", "dropped", "unit_changed")


@dataclass(frozen=True, slots=True)
class Change:
    """One difference.

    `what` is ``entry``, ``concentration``, ``quantity``, ``weights``, ``dosing_unit`` or the name of a limit;
    `factor` is new / old.
    """

    change: str
    what: str
    care_area: str
    entry: str
    concentration: str
    quantity: str
    weights: str
    old: float | None
    new: float | None
    unit: str
    factor: float | None
    old_row: int | None
    new_row: int | None


_SCHEMA: Final = pa.schema(
    [
        *(
            (name, pa.string())
            for name in ("change", "what", "care_area", "entry", "concentration", "quantity", "weights")
        ),
        ("old", pa.float64()),
        ("new", pa.float64()),
        ("unit", pa.string()),
        ("factor", pa.float64()),
        ("old_row", pa.int64()),
        ("new_row", pa.int64()),
    ]
)

_Key = tuple[str, ...]


def compare_rows(old: Sequence[LimitRow], new: Sequence[LimitRow]) -> list[Change]:
    """Compare two library versions.

    Parameters
    ----------
    old, new
        Their rows.

    Returns
    -------
    list of Change
        By care area, entry, concentration, quantity. An entry, concentration or quantity that one of them
        does not hold at all is one row and not one a limit. ``loosened`` warns about less than before,
        ``tightened`` about more; a limit that was not there before is ``added``, one that is gone
        ``dropped``. A dosing unit that is another is told whether or not the limits come to the same.

    Raises
    ------
    ConfigurationError
        If two rows of one library set other limits for the same.
    """
    before, after = _keyed(old), _keyed(new)
    found: list[Change] = []
    told: set[_Key] = set()
    for key in sorted({*before, *after}):
        one, two = before.get(key), after.get(key)
        if one is not None and two is not None:
            found += _limits(one, two)
            continue
        level = _missing(key, set(after) if two is None else set(before))
        place = key[:level]
        if place not in told:
            told.add(place)
            found.append(_whole((before | after)[key], level, is_new=one is None))
    return found


def _keyed(rows: Sequence[LimitRow]) -> dict[_Key, LimitRow]:
    keyed: dict[_Key, LimitRow] = {}
    for row in rows:
        key = (row.care_area, row.entry, str(row.strength or ""), row.limited_quantity, row.weights)
        other = keyed.setdefault(key, row)
        if (other.limits, other.limit_unit) != (row.limits, row.limit_unit):
            raise ConfigurationError(
                f"rows {other.number} and {row.number} set other limits for the same "
                f"({row.care_area}, {row.entry}, {row.limited_quantity})",
                where=row.file,
                row=row.number,
                do="See 'dripledger library check' for all that is wrong",
            )
    return keyed


def count_apart(changes: Sequence[Change]) -> int:
    """Return how many rows of one library hold for other concentrations or weights than any of the other's.

    Where an entry's rows are cut another way, a dose falls under a row on each side that were not set against
    each other.
    """
    return sum(change.what in ("concentration", "weights") for change in changes)


def _missing(key: _Key, others: set[_Key]) -> int:
    """Return how much of a key the other library does not hold: 2 the entry, 3 its concentration, 4, 5."""
    for level in (2, 3, 4):
        if not any(other[:level] == key[:level] for other in others):
            return level
    return 5


def _whole(row: LimitRow, level: int, *, is_new: bool) -> Change:
    what = {2: "entry", 3: "concentration", 4: "quantity", 5: "weights"}[level]
    return Change(
        "added" if is_new else "dropped",
        what,
        row.care_area,
        row.entry,
        row.concentration if level > 2 else "",
        row.limited_quantity if level > 3 else "",
        row.weights if level > 4 else "",
        None,
        None,
        "",
        None,
        None if is_new else row.number,
        row.number if is_new else None,
    )


def _limits(old: LimitRow, new: LimitRow) -> Iterator[Change]:
    unit, former = new.limit_unit or "", old.limit_unit or ""
    plain = Change(
        "",
        "",
        new.care_area,
        new.entry,
        new.concentration,
        new.limited_quantity,
        new.weights,
        None,
        None,
        unit,
        None,
        old.number,
        new.number,
    )
    if old.dosing_unit != new.dosing_unit:
        # limits may come to the same, and yet the number that a person enters is another
        units = f"{old.dosing_unit or 'none'} -> {new.dosing_unit or 'none'}"
        yield replace(plain, change="unit_changed", what="dosing_unit", unit=units)
    for name in LIMITS:
        was, now = getattr(old, name), getattr(new, name)
        if was is None and now is None:
            continue
        if now is None:
            yield replace(plain, change="dropped", what=name, old=was, unit=former)
        elif was is None:
            yield replace(plain, change="added", what=name, new=now)
        else:
            same = was if unit == former else convert(was, former, unit)
            if same is None:
                yield replace(
                    plain, change="unit_changed", what=name, old=was, new=now, unit=f"{former} -> {unit}"
                )
            elif six_digits(same) != six_digits(now):
                looser = (now > same) == name.endswith("high")
                yield replace(
                    plain,
                    change="loosened" if looser else "tightened",
                    what=name,
                    old=_tidy(same),
                    new=now,
                    factor=_tidy(now / same) if same else None,
                )


def _tidy(value: float) -> float:
    """Drop the last digits, which only arithmetic in binary made: 29.999999999999996 is 30."""
    return float(f"{value:.12g}")


def as_table(changes: Sequence[Change]) -> pa.Table:
    """Return changes as an Arrow table."""
    return pa.Table.from_pylist([asdict(change) for change in changes], schema=_SCHEMA)
