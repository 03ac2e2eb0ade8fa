"""What flowed if events in the repeated hour came in another order than they are read in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import product
from typing import Final

from dripledger.incidents.pieces import Piece

_ZERO: Final = Fraction(0)
#: A doubt as long as this is that of a repeated or a skipped hour, in microseconds.
_HOUR_US: Final = 3_600_000_000
#: So many events are tried in every order; of more, their first and last ones.
_MOST: Final = 8


def reordered(
    pieces: Sequence[Piece], doubts: Mapping[int, tuple[int, int]], begins_us: int, ends_us: int
) -> tuple[Fraction, Fraction] | None:
    """Return least and most between two moments over every hour in which each doubtful event may have been.

    Parameters
    ----------
    pieces
        The channel's stretches; each runs at its rate until the next change.
    doubts
        Microseconds (earlier, later) by which the event at an edge may be off.
    begins_us, ends_us
        The two moments.

    Returns
    -------
    tuple or None
        None where fewer than two changes may have been an hour off: alone, one changes no order.
    """
    after: dict[int, Fraction] = {}
    for piece in pieces:
        after.setdefault(piece.ends_us, _ZERO)
    for piece in sorted(pieces, key=lambda p: p.begins_us):
        after[piece.begins_us] = piece.per_us
    doubtful = [at for at in sorted(after) if at in doubts and max(doubts[at]) >= _HOUR_US]
    if len(doubtful) < 2:
        return None
    if len(doubtful) > _MOST:
        doubtful = [*doubtful[: _MOST // 2], *doubtful[-(_MOST // 2) :]]
    hours = [
        [at + shift for shift, allowed in ((-_HOUR_US, doubts[at][0]), (0, 0), (_HOUR_US, doubts[at][1]))
         if allowed >= abs(shift)]
        for at in doubtful
    ]  # fmt: skip
    totals = [
        _total([(moved.get(at, at), rate) for at, rate in sorted(after.items())], begins_us, ends_us)
        for chosen in product(*hours)
        for moved in [dict(zip(doubtful, chosen, strict=True))]
    ]
    return min(totals), max(totals)


def _total(changes: list[tuple[int, Fraction]], begins_us: int, ends_us: int) -> Fraction:
    """Return what flows between two moments, each change holding until the next one."""
    total, since, rate = _ZERO, begins_us, _ZERO
    for at, then in sorted(changes, key=lambda change: change[0]):
        upto = min(max(at, since), ends_us)
        total += rate * (upto - since)
        since, rate = upto, then
    return total
