"""Months of few expected counts: limits and runs by exact chance, where the normal ones do not hold.

A share or rate of rare events has months of 0, 1 or 2. Three standard deviations are then less than one
event, or none at all where the baseline has none: the first event would always lie beyond the limit. And most
months lie below a mean of a half, so that seven below it are no pattern. Here a month is held against what
the baseline lets expect of it, the uncertainty of the baseline included.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from dripledger.statistics.arrays import Floats
from dripledger.statistics.intervals import Interval
from dripledger.statistics.layout import Bools

#: Expected counts (of what is asked for, or of the rest) under which a month is judged by exact chance.
SMALL_EXPECTED = 5.0
#: Chance beyond either limit: that of a normal value three standard deviations out, one-sided.
LIMIT_TAIL = 0.00135
#: Counts tried for a limit; above, there is none.
_MOST_TRIED = 1 << 14


class Tails(NamedTuple):
    """Chances under the baseline, 0-1, in the common shape."""

    #: Of this count or more.
    at_least: Floats
    #: Of this count or less.
    at_most: Floats


def is_small(centre: Floats, size: Floats, share: bool) -> Bools:
    """Return where fewer than 5 are expected of what is counted, or (of a share) of the rest."""
    rare = np.minimum(centre, 1 - centre) if share else centre
    with np.errstate(invalid="ignore"):
        result: Bools = rare * size < SMALL_EXPECTED
    return result


def predictive_tails(
    x: Floats, n: Floats, x0: Floats, n0: Floats, share: bool, variance_ratio: Floats | float = 1.0
) -> Tails:
    """Chance of a count so high, or so low, given what a baseline has shown.

    Parameters
    ----------
    x, n
        Counts and denominators (exposures of a rate) that are judged; they broadcast with the rest.
    x0, n0
        Sums of counts and denominators of the baseline, the judged point not among them.
    share
        Whether the counts are parts of their denominators; else events over an exposure.
    variance_ratio
        Measured over independent variance of the counts, 1 or more.

    Returns
    -------
    Tails
        Both 1 where the baseline is empty: then nothing can be told.

    Notes
    -----
    The predictive distribution under Jeffreys' prior. Shares: beta-binomial of n with a = x0 + 1/2,
    b = n0 - x0 + 1/2. Events: negative binomial of x0 + 1/2, P(X >= x) = I(x, x0 + 1/2) of n / (n + n0),
    with I the regularised incomplete beta function. (Gelman A et al. Bayesian Data Analysis, 3rd ed. 2013,
    section 2; as prediction limits: Krishnamoorthy K, Peng J. J Stat Plan Inference 2011;141:1709-1718; both
    from memory. The tests add up the distributions another way and simulate them.) Where counts vary more
    than independent ones, all counts are divided by the ratio of variances: as many independent ones say as
    much. Shares then take the form of events on their rarer side, which is the wider one.
    """
    given = np.broadcast_arrays(x, n, x0, n0, variance_ratio)
    shape = given[0].shape
    hits, size, base, whole, ratio = (part.reshape(-1).astype(np.float64) for part in given)
    swap = share & (2 * base > whole)
    hits, base = np.where(swap, size - hits, hits), np.where(swap, whole - base, base)
    rows, back = np.unique(np.stack([size, base, whole, ratio], axis=1), axis=0, return_inverse=True)
    table = _tails_to(int(hits.max(initial=0)), rows, share)
    place = (back.reshape(-1), hits.astype(np.int64))
    least, most = table.at_least[place], table.at_most[place]
    return Tails(np.where(swap, most, least).reshape(shape), np.where(swap, least, most).reshape(shape))


def _tails_to(most: int, rows: Floats, share: bool) -> Tails:
    """Return the tails of counts 0 to `most`, shape (rows, most + 1), of rows (n, x0, n0, ratio)."""
    from scipy import special

    size, base, whole, ratio = (rows[:, [i]] for i in range(4))
    k = np.arange(most + 1, dtype=np.float64)[np.newaxis, :]
    part = np.where(whole > 0, size / np.where(whole > 0, size + whole, 1.0), 1.0)
    to = np.maximum(np.append(k, [[most + 1.0]], axis=1), 1e-300)
    reached = special.betainc(to / ratio, base / ratio + 0.5, part)
    at_least, at_most = reached[:, :-1].copy(), 1 - reached[:, 1:]
    at_least[:, 0] = 1.0
    plain = (share & (ratio == 1) & (whole > 0))[:, 0]
    if plain.any():
        chance = _beta_binomial(k, size[plain], base[plain], whole[plain])
        at_most[plain] = np.cumsum(chance, axis=1)
        at_least[plain] = 1 - at_most[plain] + chance
    empty = whole[:, 0] <= 0
    at_least[empty], at_most[empty] = 1.0, 1.0
    return Tails(at_least, at_most)


def _beta_binomial(k: Floats, n: Floats, x0: Floats, n0: Floats) -> Floats:
    """Return the chance of each count under Jeffreys' prior, 0 above n; shape (rows, counts)."""
    from scipy import special

    a, b = x0 + 0.5, n0 - x0 + 0.5
    rest = np.maximum(n - k, 0.0)
    ways = special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(rest + 1)
    chance: Floats = np.exp(ways + special.betaln(k + a, rest + b) - special.betaln(a, b))
    return np.where(k <= n, chance, 0.0)


def predictive_limits(
    n: Floats, x0: Floats, n0: Floats, share: bool, variance_ratio: Floats | float = 1.0
) -> Interval:
    """Limits of the value of a point whose count chance leaves, but for 0.135 % on either side.

    Parameters
    ----------
    n, x0, n0, share, variance_ratio
        As for `predictive_tails`; shape (points,).

    Returns
    -------
    Interval
        The least and the largest value x / n that is not beyond: a value strictly outside is. NaN without a
        baseline; infinite (of a share 1) above where no count lies beyond.
    """
    size, base, whole, ratio = (
        part.astype(np.float64) for part in np.broadcast_arrays(n, x0, n0, variance_ratio)
    )
    swap = share & (2 * base > whole)
    rows = np.stack([size, np.where(swap, whole - base, base), whole, ratio], axis=1)
    most = size if share else np.full(size.shape, np.inf)
    tried = 64
    while True:
        tails = _tails_to(tried, rows, share)
        beyond = tails.at_least <= LIMIT_TAIL
        if tried >= _MOST_TRIED or bool(np.all(beyond[:, -1] | (tried >= most))):
            break
        tried *= 4
    last = np.where(beyond.any(axis=1), np.minimum(np.argmax(beyond, axis=1) - 1.0, most), most)
    first = np.argmax(tails.at_most > LIMIT_TAIL, axis=1).astype(np.float64)
    known = (whole > 0) & (size > 0)
    safe = np.where(known, size, 1.0)
    low, high = np.where(swap, size - last, first) / safe, np.where(swap, size - first, last) / safe
    return Interval(np.where(known, low, np.nan), np.where(known, high, np.nan))


def side_coins(centre: Floats, size: Floats, above: Bools, share: bool, variance_ratio: Floats) -> Floats:
    """How many fair coins in a row are as unlikely as a month on its side of the centre.

    Parameters
    ----------
    centre, size
        Expected value, above 0, and denominator of each point; shape (points,).
    above
        Whether the point lies above its centre; else below.
    share, variance_ratio
        As for `predictive_tails`; the counts are taken as Poisson on their rarer side, or as negative
        binomial where they vary more.

    Returns
    -------
    numpy.ndarray
        -log2 of the chance: 1 where half of all months lie on that side, 0.4 where three of four do.
    """
    from scipy import special

    swap = share & (centre > 0.5)
    mean = np.where(swap, 1 - centre, centre) * size
    up = above != swap
    # Counts below the mean go up to ceil(mean) - 1, those above it begin at floor(mean) + 1.
    edge = np.where(up, np.floor(mean + 1e-9) + 1, np.ceil(mean - 1e-9))
    below = special.gammaincc(np.maximum(edge, 0.5), mean)
    wider = variance_ratio > 1
    if np.any(wider):
        ratio, some = variance_ratio[wider], np.maximum(edge[wider], 0.5)
        below[wider] = special.betainc(mean[wider] / (ratio - 1), some, 1 / ratio)
    chance = np.where(up, 1 - below, np.where(edge > 0, below, 0.0))
    coins: Floats = -np.log2(np.clip(chance, 1e-300, 1.0)) + 0.0
    return coins
