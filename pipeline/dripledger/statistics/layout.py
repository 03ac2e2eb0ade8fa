"""Many charts as one line of points: what is drawn side by side is worked on end to end.

A statistic over time takes arrays whose last axis is time; every other axis counts charts. Inside, the points
of all charts lie in one flat array, with a number for the stretch (chart and segment) that each belongs to,
so that ten thousand short charts cost what one long chart of as many points costs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from dripledger.statistics.arrays import ArrayError, Floats, refuse

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Result = TypeVar("Result", bound=tuple[Any, ...])

#: Points worked on at once: a few dozen arrays of 64 kB fit into a cache, and into memory that is used again.
_BLOCK_POINTS = 8_192


class Layout(NamedTuple):
    """The flat form of charts; points without data are left out of the flat arrays."""

    #: Shape of what was handed in, last axis time.
    shape: tuple[int, ...]
    #: Which points have data, in that shape.
    present: Bools
    #: Stretch of each flat point, numbered from 0 in the order of the points.
    stretch: Ints
    #: How many stretches there are.
    stretches: int
    #: Whether a flat point belongs to the baseline of its stretch.
    base: Bools
    #: Whether a flat point is the first of its stretch.
    first: Bools

    def flat(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Return the values of the points with data, end to end."""
        return values[self.present]

    def shaped(self, flat: npt.NDArray[Any], empty: float | int | bool) -> npt.NDArray[Any]:
        """Return flat values in the shape that was handed in, `empty` where there are no data."""
        out = np.full(self.shape, empty, flat.dtype)
        out[self.present] = flat
        return out

    def total(self, flat: npt.NDArray[Any], where: Bools) -> Floats:
        """Return the sum of each stretch over the flat points where `where` is true."""
        return np.bincount(self.stretch[where], flat[where], self.stretches).astype(np.float64)

    def how_many(self, where: Bools) -> Floats:
        """Return how many flat points of each stretch `where` holds."""
        return np.bincount(self.stretch[where], minlength=self.stretches).astype(np.float64)


def check_series(argument: str, shape: tuple[int, ...]) -> None:
    """Refuse what is no series: a single number, or no point."""
    if not shape:
        raise ArrayError(argument, "is a single number; a series has a last axis of points in time")
    if shape[-1] == 0:
        raise ArrayError(argument, "is empty: a chart needs a point")


def check_mask(argument: str, mask: npt.ArrayLike | None, shape: tuple[int, ...]) -> Bools | None:
    """Return a mask in the shape of its series; anything but true and false is refused."""
    if mask is None:
        return None
    values = np.asarray(mask)
    if values.dtype.kind != "b":
        raise ArrayError(argument, f"holds values of type {values.dtype}, not true and false")
    return _fitted(argument, values, shape)


def check_segment(segment: npt.ArrayLike | None, shape: tuple[int, ...]) -> Ints | None:
    """Return segment numbers in the shape of their series; they must be whole and never fall."""
    if segment is None:
        return None
    raw = np.asarray(segment)
    if raw.dtype.kind not in "iu":
        raise ArrayError("segment", f"holds values of type {raw.dtype}, not whole numbers")
    numbers = _fitted("segment", raw.astype(np.int64), shape)
    falls = np.zeros(shape, np.bool_)
    falls[..., 1:] = np.diff(numbers, axis=-1) < 0
    refuse("segment", numbers, falls, "is less than the number before it")
    return numbers


def lay_out(present: Bools, baseline: Bools | None = None, segment: Ints | None = None) -> Layout:
    """Lay checked charts end to end.

    Parameters
    ----------
    present
        Which points have data; shape (..., points).
    baseline
        Which points make the centre and the limits of their segment, in that shape. None: all.
    segment
        Numbers in that shape; a new one starts a segment with a centre and limits of its own. None: one.

    Returns
    -------
    Layout
        The flat form.
    """
    shape = present.shape
    new = np.zeros(shape, np.bool_)
    new[..., 0] = True
    if segment is not None:
        new[..., 1:] = np.diff(segment, axis=-1) != 0
    # A stretch keeps its number even where it has no data at all: numbers are given before points drop out.
    numbered = np.cumsum(new.ravel(), dtype=np.int64) - 1
    stretches = int(numbered[-1]) + 1 if numbered.size else 0
    everywhere = bool(present.all())
    flat = numbered if everywhere else numbered[present.ravel()]
    first = np.ones(flat.shape, np.bool_)
    first[1:] = flat[1:] != flat[:-1]
    base = np.ones(flat.shape, np.bool_) if baseline is None else baseline[present]
    return Layout(shape, present, flat, stretches, base, first)


def _fitted(argument: str, values: npt.NDArray[Any], shape: tuple[int, ...]) -> npt.NDArray[Any]:
    try:
        return np.broadcast_to(values, shape)
    except ValueError:
        raise ArrayError(argument, f"its shape {values.shape} does not fit the series' {shape}") from None


def by_blocks(
    work: Callable[..., Result], series: Sequence[npt.ArrayLike], options: Sequence[npt.ArrayLike | None]
) -> Result:
    """Work on many charts some at a time, so that what is worked on stays in the processor's cache.

    Parameters
    ----------
    work
        Checks its arguments and makes a named tuple of arrays in the shape of the series, each chart for
        itself.
    series
        What the charts are made of; the shape is the common one.
    options
        Further arrays that broadcast to that shape, or None.

    Returns
    -------
    named tuple
        What `work(*series, *options)` gives; where it refuses a value, its own complaint.
    """
    rows = _side_by_side(series, options)
    if rows is None:
        return work(*series, *options)
    shape, parts = rows
    charts, points = math.prod(shape[:-1]), shape[-1]
    step = max(1, _BLOCK_POINTS // points)
    done: list[npt.NDArray[Any]] = []
    kind: type[Result] | None = None
    for k in range(0, charts, step):
        try:
            block = work(*(None if part is None else part[k : k + step] for part in parts))
        except ArrayError:
            break
        if kind is None:
            kind = type(block)
            done = [np.empty((charts, points), part.dtype) for part in block]
        for whole, part in zip(done, block, strict=True):
            whole[k : k + step] = part
    else:
        if kind is not None:
            return kind(*(whole.reshape(shape) for whole in done))
    # Refused: asked for as a whole, it names the position in what was handed in.
    return work(*series, *options)


def _side_by_side(
    series: Sequence[npt.ArrayLike], options: Sequence[npt.ArrayLike | None]
) -> tuple[tuple[int, ...], list[npt.NDArray[Any] | None]] | None:
    """Return the common shape, and all arrays as charts by points; None where there is little to gain."""
    if any(np.ma.isMaskedArray(part) for part in series):
        return None
    try:
        arrays = [np.asarray(part) for part in series]
        extra = [None if part is None else np.asarray(part) for part in options]
        shape = np.broadcast_shapes(*(part.shape for part in arrays))
        if len(shape) < 2 or math.prod(shape) <= 2 * _BLOCK_POINTS or math.prod(shape[:-1]) == 1:
            return None
        flat = (math.prod(shape[:-1]), shape[-1])
        return shape, [
            None if part is None else np.broadcast_to(part, shape).reshape(flat) for part in (*arrays, *extra)
        ]
    except ValueError:
        return None


def above(values: Floats, other: Floats) -> Bools:
    """Return where values are above others by more than rounding (1e-9 of their size).

    A mean of equal values can miss them in the last bit; 'strictly beyond' must not hang on that.
    """
    with np.errstate(invalid="ignore"):
        result: Bools = values - other > 1e-9 * np.maximum(np.abs(values), np.abs(other))
    return result


def run_bounds(starts: Bools) -> tuple[Ints, Ints]:
    """Return for each flat point the first and the last position of the run that it stands in.

    Parameters
    ----------
    starts
        Where a run starts; the first point starts one whatever it says.
    """
    size = starts.shape[0]
    if size == 0:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    begin = np.flatnonzero(starts | (np.arange(size) == 0))
    lengths = np.diff(np.append(begin, size))
    return np.repeat(begin, lengths), np.repeat(begin + lengths - 1, lengths)
