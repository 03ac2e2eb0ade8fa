"""A library held against the log, and one limit of it moved: what `library_review` shows."""

from __future__ import annotations

import contextlib
import dataclasses
from dataclasses import dataclass
from types import TracebackType
from typing import Any

import pyarrow as pa

from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.library.curve import ANY, Curve, Curves, curves
from dripledger.library.relations import Span, prepare
from dripledger.library.replay import Replay, replay
from dripledger.library.rows import LimitRow
from dripledger.library.versions import libraries_on_file, named_library
from dripledger.measures import parse_month, refuse_outside, refuse_unbuilt, store_months
from dripledger.reading import Store
from dripledger.store import spill_folder


@dataclass(frozen=True, order=True)
class Place:
    """One soft limit of a library: of which entry, at which concentration and weight, on what, on which side.

    `concentration` and `weights` are ``any`` where the limit holds for every one.
    """

    care_area: str
    entry: str
    concentration: str
    weights: str
    quantity: str
    side: str

    def __str__(self) -> str:
        narrow = "".join(f", {text}" for text in (self.concentration, self.weights) if text != ANY)
        return f"{self.care_area}: {self.entry}{narrow}, {self.side} {self.quantity.replace('_', ' ')}"


@dataclass(frozen=True)
class Moved:
    """A replay with one soft limit moved.

    Parameters
    ----------
    limit, unit
        Where the limit stands now.
    summary
        The counts of this entry in this care area, one row.
    cases
        Its limit alerts that fall away or are new, and infusions that would not have run.
    """

    limit: float
    unit: str
    summary: pa.Table
    cases: pa.Table


class LibraryReview:
    """A library held against what the pumps recorded; close it, or use it in a ``with``.

    Parameters
    ----------
    store
        The store.
    library
        A version in ``libraries/``, or a file; None: the newest version on file.
    months
        First and last local month to look at; None: every month in the store.

    Raises
    ------
    UsageError
        If there is no such library or month, or the version's infusions were not built.
    ConfigurationError
        If a row of the library is wrong.
    """

    def __init__(
        self, store: Store, library: str | None = None, months: tuple[str, str] | None = None
    ) -> None:
        refuse_unbuilt(store.snapshot)
        on_file = libraries_on_file(store.site)
        if library is None and not on_file:
            raise UsageError("there is no library to look at", where=store.site.libraries, do="Name a file")
        chosen = on_file[-1] if library is None else named_library(store.site, library)
        #: The version that is held against the log.
        self.version: str = chosen.version
        self._rows = chosen.rows
        with contextlib.ExitStack() as stack:
            spill = stack.enter_context(spill_folder(store.snapshot.root, "library"))
            self._con = stack.enter_context(contextlib.closing(connect(spill)))
            span = _span(store, months)
            prepare(self._con, store.site, store.snapshot, span)
            self._found = replay(self._con, self._rows)
            self._open = stack.pop_all()
        #: The months that are looked at, in words.
        self.span_text: str = span.text

    def __enter__(self) -> LibraryReview:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection; closing twice is no error."""
        self._open.close()

    @property
    def found(self) -> Replay:
        """The replay of the library as it stands."""
        return self._found

    @property
    def places(self) -> tuple[Place, ...]:
        """The soft limits of which a value was recorded, sorted: each of them has a curve."""
        told = self._found.compared.select(["row_no", "rows_matched", "change", "origin"]).to_pylist()
        judged = {
            row["row_no"]
            for row in told
            if row["rows_matched"] == 1
            and row["change"] != "not_comparable"
            and row["origin"] in ("alert", "confirmed")
        }
        return tuple(
            sorted(
                {
                    _place(row, side)
                    for number, row in enumerate(self._rows, start=1)
                    for side in ("high", "low")
                    if row.limits.get(f"soft_{side}") is not None and number in judged
                }
            )
        )

    def curves(self, place: Place) -> Curves:
        """Return the curve of one limit, with what it leaves out.

        Raises
        ------
        UsageError
            If nothing of it was recorded.
        """
        self._found = replay(self._con, self._rows)
        return curves(
            self._con, place.care_area, place.entry, place.quantity, place.side, place.concentration,
            place.weights,
        )  # fmt: skip

    def move(self, place: Place, limit: float) -> Moved:
        """Replay with one soft limit moved.

        Parameters
        ----------
        place
            Which limit. Limits of other concentrations and weights stay where they are, and so do hard ones.
        limit
            Where to, in the unit of the library's row.

        Returns
        -------
        Moved
            What would be warned about. It says nothing of where a limit should stand.
        """
        rows = [_moved(row, place, limit) for row in self._rows]
        told = replay(self._con, rows)
        units = {row.limit_unit or "" for row in self._rows if _place(row, place.side) == place}
        return Moved(limit, " or ".join(sorted(units)), _only(told.summary, place), _only(told.cases, place))


def standing(curve: Curve) -> float:
    """Return where a limit stands now, of its curve's places: as proposed, else in the middle."""
    rows = curve.table.select(["limit", "stands_for"]).to_pylist()
    proposed = [row["limit"] for row in rows if row["stands_for"] == f"proposed soft_{curve.side}"]
    return float(proposed[0] if proposed else rows[len(rows) // 2]["limit"])


def _span(store: Store, asked: tuple[str, str] | None) -> Span:
    known = store_months(store.site, store.snapshot)
    if not known:
        raise UsageError(
            "the store holds no event yet", where=store.site.store, do="Run 'dripledger ingest' first"
        )
    first, last = known[0], known[-1]
    if asked is not None:
        zone, committed_at = store.site.zone, store.committed_at
        first, last = (parse_month(text, committed_at=committed_at, zone=zone) for text in asked)
        for month in (first, last):
            refuse_outside(month, known, "months")
        if last < first:
            raise UsageError(f"{last} is before {first}", where="months")
    text = str(first) if first == last else f"{first} to {last}"
    return Span(first.begins_at(store.site.zone), last.plus(1).begins_at(store.site.zone), text)


def _place(row: LimitRow, side: str) -> Place:
    return Place(
        row.care_area, row.entry, row.concentration or ANY, row.weights or ANY, row.limited_quantity, side
    )


def _moved(row: LimitRow, place: Place, limit: float) -> LimitRow:
    name = f"soft_{place.side}"
    if _place(row, place.side) != place or getattr(row, name) is None:
        return row
    moved: dict[str, Any] = {name: limit}
    return dataclasses.replace(row, **moved)


def _only(table: pa.Table, place: Place) -> pa.Table:
    """Return the rows of one entry in one care area."""
    rows = [
        number
        for number, row in enumerate(table.select(["care_area", "entry"]).to_pylist())
        if (row["care_area"], row["entry"]) == (place.care_area, place.entry)
    ]
    return table.take(pa.array(rows, pa.int64()))
