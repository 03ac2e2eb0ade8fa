"""Lengths of time as text, for the cells of a result."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pyarrow as pa


def length_text(value: timedelta | pa.MonthDayNano) -> str:
    """Return a length of time as text.

    Parameters
    ----------
    value
        A duration, told in seconds; or an interval, told as ``14 months 1 day 04:00:00``: months and days
        have no fixed length, so they are never turned into hours.
    """
    if isinstance(value, timedelta):
        return f"{Decimal(value // timedelta(microseconds=1)) / 1_000_000:f} s"
    parts = [
        f"{number} {word}{'' if abs(number) == 1 else 's'}"
        for number, word in ((value.months, "month"), (value.days, "day"))
        if number
    ]
    if value.nanoseconds or not parts:
        seconds, rest = divmod(abs(value.nanoseconds), 1_000_000_000)
        minutes, second = divmod(seconds, 60)
        clock = f"{minutes // 60:02}:{minutes % 60:02}:{second:02}"
        fraction = f".{rest:09}".rstrip("0") if rest else ""
        parts.append(f"{'-' if value.nanoseconds < 0 else ''}{clock}{fraction}")
    return " ".join(parts)
