"""Rows proposed for `clocks.csv`, from the pairs of device time and received time in the store.

Nothing is written: an estimate proposes, a person accepts. What counts against a proposal stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import astuple, dataclass, fields
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np
import pyarrow as pa

from dripledger.engine import connect
from dripledger.errors import UsageError
from dripledger.events.clock_fit import FEWEST_PAIRS, Fit, Stretch, fit_clock
from dripledger.site import Site
from dripledger.store import Snapshot, spill_folder

#: A clock that is off by less needs no row: common practice, no source.
WORTH_A_ROW_S: Final = 30.0
#: Rows follow a drifting clock so closely that none is off by more than half of this.
_ROW_SPANS_S: Final = 60.0
#: An estimate that is less sure than this is shown and not proposed.
_TOO_UNSURE_S: Final = 300.0
_HOUR_S: Final = 3600.0
_BATCH: Final = 100_000

_STAMP: Final = pa.timestamp("us", tz="UTC")


@dataclass(frozen=True, slots=True)
class ClockProposal:
    """One row for `clocks.csv`, or why there is none.

    Parameters
    ----------
    pump, from_clock, offset_s
        As in `clocks.csv`; `from_clock` empty: from the beginning; `offset_s` None: nothing can be estimated.
    low_s, high_s
        How sure the offset is, seconds.
    drift_s_per_day
        Seconds that the clock gains a day; None where that cannot be told from nothing.
    propose
        Whether the row is worth taking over.
    why
        What it rests on, and what speaks against it.
    pairs
        Pairs of device time and received time that it rests on.
    first_received, last_received
        Their span.
    offset_now_s
        What `clocks.csv` says there already, as the events were last derived.
    """

    pump: str
    from_clock: str
    offset_s: float | None
    low_s: float | None
    high_s: float | None
    drift_s_per_day: float | None
    propose: bool
    why: str
    pairs: int
    first_received: datetime | None
    last_received: datetime | None
    offset_now_s: float | None


@dataclass(frozen=True)
class _Pump:
    """What the store holds of one pump: microseconds, one row a pair; and where the log sets its clock."""

    name: str
    reading: np.ndarray[Any, np.dtype[np.int64]]
    instant: np.ndarray[Any, np.dtype[np.int64]]
    received: np.ndarray[Any, np.dtype[np.int64]]
    offset_now: np.ndarray[Any, np.dtype[np.float64]]
    is_set: np.ndarray[Any, np.dtype[np.bool_]]
    resolution_s: float


def estimate_clocks(site: Site, snapshot: Snapshot, pump: str | None = None) -> list[ClockProposal]:
    """Estimate every pump's clock, or one pump's.

    Parameters
    ----------
    site
        The site; its store's spill folder is used.
    snapshot
        The version of the store to read.
    pump
        Only this pump.

    Returns
    -------
    list of ClockProposal
        By pump, in the order of the pump's own clock.

    Raises
    ------
    UsageError
        If the store holds no event of that pump.
    """
    told: list[ClockProposal] = []
    with spill_folder(site.store, "clocks") as spill, connect(spill) as con:
        snapshot.attach(con, ["events"])
        names = [r[0] for r in con.execute("select distinct pump_id from events order by 1").fetchall()]
        if pump is not None and pump not in names:
            raise UsageError(
                f"the store holds no event of a pump {pump!r}", where="--pump", do="See 'dripledger status'"
            )
        con.execute("create temp table clock_pump as select ?::varchar as pump_id", [pump])
        reader = con.sql(
            "select pump_id, epoch_us(device_time) as reading, epoch_us(occurred_at) + "
            "cast(round(clock_offset_s * 1e6) as bigint) as instant, epoch_us(received_at) as received, "
            "clock_offset_s, kind = 'clock_set' as is_set, time_resolution_s from events "
            # an instant that the zone leaves open says nothing of the clock
            "where received_at is not null and time_quality not in ('ambiguous', 'nonexistent') and "
            "pump_id = coalesce((select pump_id from clock_pump), pump_id) "
            "order by pump_id, received_at, device_time, event_id"
        ).to_arrow_reader(_BATCH)
        seen = set()
        for one in _pumps(reader):
            seen.add(one.name)
            told += _proposals(site, one)
    silent = [name for name in names if name not in seen and pump in (None, name)]
    told += [
        ClockProposal(
            name, "", None, None, None, None, False, "no event of this pump says when it was received", 0,
            None, None, None,
        )
        for name in silent
    ]  # fmt: skip
    return sorted(told, key=lambda row: (row.pump, row.from_clock))


def as_table(rows: list[ClockProposal]) -> pa.Table:
    """Return proposals as a table: the columns of `clocks.csv` first."""
    types = {
        "propose": pa.bool_(), "pairs": pa.int64(), "first_received": _STAMP, "last_received": _STAMP,
        "pump": pa.string(), "from_clock": pa.string(), "why": pa.string(),
    }  # fmt: skip
    names = [f.name for f in fields(ClockProposal)]
    columns = list(zip(*(astuple(row) for row in rows), strict=True)) if rows else [()] * len(names)
    return pa.table(
        {
            ("from" if name == "from_clock" else name): pa.array(list(values), types.get(name, pa.float64()))
            for name, values in zip(names, columns, strict=True)
        }
    )


def _pumps(reader: pa.RecordBatchReader) -> Iterator[_Pump]:
    """Cut a stream that is sorted by pump into pumps."""
    held: list[pa.Table] = []
    for batch in reader:
        table = pa.Table.from_batches([batch])
        while table.num_rows:
            name = table["pump_id"][0].as_py()
            if held and held[0]["pump_id"][0].as_py() != name:
                yield _pump(pa.concat_tables(held))
                held = []
            same = np.asarray(table["pump_id"].to_numpy(zero_copy_only=False)) == name
            stop = int(same.size if same.all() else np.argmin(same))
            held.append(table.slice(0, stop))
            table = table.slice(stop)
    if held:
        yield _pump(pa.concat_tables(held))


def _pump(table: pa.Table) -> _Pump:
    def of(name: str, kind: Any) -> Any:
        return table[name].to_numpy().astype(kind)

    return _Pump(
        table["pump_id"][0].as_py(), of("reading", np.int64), of("instant", np.int64),
        of("received", np.int64),
        of("clock_offset_s", np.float64), of("is_set", np.bool_), float(of("time_resolution_s", float).max()),
    )  # fmt: skip


def _proposals(site: Site, pump: _Pump) -> list[ClockProposal]:
    fit = fit_clock(pump.instant, pump.received, pump.resolution_s)
    rows: list[ClockProposal] = []
    if not fit.stretches:
        rows.append(
            ClockProposal(
                pump.name, "", None, None, None, None, False,
                f"{len(pump.reading) - len(fit.far)} pairs are too few: it takes {FEWEST_PAIRS}",
                len(pump.reading) - len(fit.far), None, None, None,
            )
        )  # fmt: skip
    for place, stretch in enumerate(fit.stretches):
        rows += _of_stretch(site, pump, fit, place, stretch)
    if fit.far:
        rows.append(_of_far(pump, fit))
    return rows


def _of_stretch(site: Site, pump: _Pump, fit: Fit, place: int, stretch: Stretch) -> list[ClockProposal]:
    begins, notes = _beginning(pump, fit, place)
    if place and _is_hour_change(site, pump, fit.stretches[place - 1], stretch):
        notes.append(
            "it steps by an hour where the zone changes its offset: does this clock follow the change?"
        )
    drift = stretch.drift_s_day if stretch.drifts else None
    gained = (drift or 0.0) * stretch.length_s / 86400
    pieces = max(1, math.ceil(abs(gained) / _ROW_SPANS_S))
    if drift is not None and pieces > 1:
        notes.append(f"the clock drifts, so {pieces} rows follow it")
    width = (stretch.high_s - stretch.low_s) / 2
    rows = []
    for piece in range(pieces):
        offset = stretch.offset_s + gained * ((piece + 0.5) / pieces - 0.5)
        low, high = offset - width, offset + width
        worth = abs(offset) >= WORTH_A_ROW_S or (place > 0 or pieces > 1)
        told = [f"{stretch.pairs} pairs", *notes]
        if width > _TOO_UNSURE_S:
            told.append("too unsure to propose: the records came late, or in batches")
        elif not worth:
            told.append(f"off by less than {WORTH_A_ROW_S:g} s: no row needed")
        shift = stretch.length_s * piece / pieces
        start = begins if piece == 0 else _text(_at(pump.reading[stretch.first]) + timedelta(seconds=shift))
        rows.append(
            ClockProposal(
                pump.name, start, float(round(offset)), round(low, 1), round(high, 1),
                None if drift is None else round(drift, 2), worth and width <= _TOO_UNSURE_S,
                "; ".join(told), stretch.pairs, _utc(pump.received[stretch.first]),
                _utc(pump.received[stretch.last]), float(pump.offset_now[stretch.first]),
            )
        )  # fmt: skip
    return rows


def _beginning(pump: _Pump, fit: Fit, place: int) -> tuple[str, list[str]]:
    """Return from which reading a stretch counts, and what a person should know of it."""
    if place == 0:
        return "", []
    now, before = fit.stretches[place], fit.stretches[place - 1]
    step = now.offset_s - before.offset_s
    ranks = np.arange(pump.reading.size)
    near = np.ones(pump.reading.size, bool)
    near[list(fit.far)] = False
    old = pump.reading[(ranks >= before.first) & (ranks <= before.last) & near]
    new = pump.reading[(ranks >= now.first) & (ranks <= now.last) & near]
    how = "forward" if step > 0 else "back"
    notes = [f"the clock was set {how} by {abs(step):.0f} s"]
    # set forward, no reading occurs twice: all up to the old stretch's last belong to it
    start = int(old.max()) + 1_000_000 if step > 0 else int(new[0])
    logged = np.flatnonzero(pump.is_set & (ranks >= before.last) & (ranks <= now.first + 1))
    if logged.size:
        notes.append("the log says that it was set there")
    elif step < 0:
        notes.append("the log does not say when")
    if step < 0 and old.max() >= start:
        notes.append(
            f"readings from {_text(_at(start))} to {_text(_at(int(old.max())))} occur twice, and a row "
            "cannot tell "
            "the two apart"
        )
    return _text(_at(start)), notes


def _is_hour_change(site: Site, pump: _Pump, before: Stretch, now: Stretch) -> bool:
    step = now.offset_s - before.offset_s
    zone = site.zone

    def shift(place: int) -> float:
        found = _utc(pump.received[place]).astimezone(zone).utcoffset()
        return found.total_seconds() if found is not None else 0.0

    return abs(abs(step) - _HOUR_S) <= 60 and shift(before.first) != shift(now.last)


def _of_far(pump: _Pump, fit: Fit) -> ClockProposal:
    places = list(fit.far)
    readings = pump.reading[places]
    return ClockProposal(
        pump.name, _text(_at(int(readings.min()))), None, None, None, None, False,
        f"{len(places)} readings, up to {_text(_at(int(readings.max())))}, lie 60 days or more before "
        "they were "
        "received: the clock was not set, or the records are old; look at them",
        len(places), _utc(pump.received[places[0]]), _utc(pump.received[places[-1]]),
        float(pump.offset_now[places[0]]),
    )  # fmt: skip


def _at(reading_us: int) -> datetime:
    return datetime(1970, 1, 1) + timedelta(microseconds=int(reading_us))


def _utc(us: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(us))


def _text(reading: datetime) -> str:
    return reading.replace(microsecond=0).isoformat(sep=" ")
