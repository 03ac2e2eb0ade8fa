"""Checks of what is handed to a statistic: every complaint names the argument and the position."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dripledger.errors import DripledgerError

Floats = npt.NDArray[np.float64]


class ArrayError(DripledgerError, ValueError):
    """A value that a statistic cannot use.

    Attributes
    ----------
    argument : str
        Name of the argument.
    position : tuple of int or None
        Index of the first wrong value; None where the argument as a whole is wrong.
    """

    exit_code = 1

    def __init__(self, argument: str, what: str, position: tuple[int, ...] | None = None) -> None:
        where = argument
        if position:
            where += "[" + ", ".join(str(i) for i in position) + "]"
        super().__init__(what, where=where)
        self.argument = argument
        self.position = position


def as_floats(argument: str, values: npt.ArrayLike) -> Floats:
    """Return values as float64; what is no finite number is an `ArrayError` with its position."""
    try:
        raw: Any = np.asarray(values)
    except ValueError:
        raise ArrayError(argument, "has rows of different lengths") from None
    if np.ma.isMaskedArray(values):
        raise ArrayError(argument, "is a masked array; fill or drop the masked values first")
    if raw.dtype.kind == "O":
        for position in np.ndindex(raw.shape):
            if not isinstance(raw[position], int | float | np.number):
                raise ArrayError(argument, f"{raw[position]!r} is no number", position)
    elif raw.dtype.kind not in "iuf":
        raise ArrayError(argument, f"holds values of type {raw.dtype}, not numbers")
    out: Floats = raw.astype(np.float64)
    if raw.dtype.kind not in "iu":
        refuse(argument, out, ~np.isfinite(out), "is not a finite number")
    return out


def as_rows(first: str, values: npt.ArrayLike, second: str, others: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return two arguments that stand row by row beside one another, as float64 of shape (rows,)."""
    rows, beside = as_floats(first, values), as_floats(second, others)
    if rows.ndim != 1:
        raise ArrayError(first, f"has {rows.ndim} dimensions; one is wanted")
    if beside.shape != rows.shape:
        raise ArrayError(second, f"has shape {beside.shape}, {first} has {rows.shape}")
    return rows, beside


def as_indices(argument: str, values: npt.ArrayLike, first: str, rows: Floats) -> npt.NDArray[np.int64]:
    """Return whole numbers, one for each row of the argument `first`."""
    raw: npt.NDArray[Any] = np.asarray(values)
    if raw.shape != rows.shape:
        raise ArrayError(argument, f"has shape {raw.shape}, {first} has {rows.shape}")
    if raw.dtype.kind not in "iu" and raw.size:
        raise ArrayError(argument, f"holds values of type {raw.dtype}, not whole numbers")
    return raw.astype(np.int64)


def refuse(argument: str, values: npt.NDArray[Any], wrong: npt.NDArray[np.bool_], what: str) -> None:
    """Raise an `ArrayError` for the first position at which `wrong` is true."""
    if np.any(wrong):
        position = tuple(int(i) for i in np.argwhere(np.asarray(wrong))[0])
        value = values[position] if values.ndim else values[()]
        raise ArrayError(argument, f"{value!s} {what}", position)


def check_level(level: float) -> float:
    """Return the confidence level if it lies strictly between 0 and 1."""
    if isinstance(level, bool) or not isinstance(level, int | float | np.floating):
        raise ArrayError("level", f"{level!r} is no number")
    if not 0.0 < float(level) < 1.0:
        raise ArrayError("level", f"{level} does not lie between 0 and 1; 95 % is written 0.95")
    return float(level)


def as_counts(argument: str, values: npt.ArrayLike) -> Floats:
    """Return counts as float64; what is negative or no whole number is an `ArrayError` with its position."""
    out = as_amounts(argument, values)
    if np.asarray(values).dtype.kind not in "iu":
        refuse(argument, out, out != np.floor(out), "is no whole number")
    return out


def as_amounts(argument: str, values: npt.ArrayLike) -> Floats:
    """Return amounts (exposures, hours) as float64; what is negative is an `ArrayError` with its position."""
    out = as_floats(argument, values)
    refuse(argument, out, out < 0, "is negative")
    return out


def together(**arrays: Floats) -> tuple[Floats, ...]:
    """Return arrays in their common shape; the first that does not fit the ones before it is named."""
    shape: tuple[int, ...] = ()
    for name, values in arrays.items():
        try:
            shape = np.broadcast_shapes(shape, values.shape)
        except ValueError:
            text = f"its shape {values.shape} does not fit the shape {shape} before it"
            raise ArrayError(name, text) from None
    return tuple(np.broadcast_to(values, shape) for values in arrays.values())


def at_most(argument: str, part: Floats, other: str, whole: Floats) -> None:
    """Refuse the first part that is more than its whole."""
    refuse(argument, part, part > whole, f"is more than {other}")
