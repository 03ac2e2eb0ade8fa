"""How often each rule cries wolf on series in which nothing ever changes.

Run ``python -m tests.benchmarks.false_alarms [--series N]``: it draws series of 36 months, the first 12 of
which make the limits, as the real chart does, and prints the table that DEVELOPERS.md shows (with
``--write``, puts it there). Counts are binomial (400 starts a month, 90 %) or Poisson (20 events a month),
rare ones as few as the row says; single values are normal; the row with known limits is what textbooks speak
of. All draws are seeded.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

from dripledger.statistics import runs
from dripledger.statistics.charts import Fit, rate_fit, share_fit, value_fit, widened
from dripledger.statistics.in_control import BASELINE_POINTS
from dripledger.statistics.judging import exact_of
from dripledger.statistics.layout import lay_out
from dripledger.statistics.rules import completions_of

_MONTHS, _SEED = 36, 20_260_102
_BEGIN, _END = "<!-- false alarms: begin -->", "<!-- false alarms: end -->"
_DOCUMENT = Path(__file__).parents[2] / "DEVELOPERS.md"
Shape = tuple[int, int]


def _base(shape: Shape) -> np.ndarray:
    return np.broadcast_to(np.arange(shape[1]) < BASELINE_POINTS, shape)


def known_limits(rng: np.random.Generator, shape: Shape) -> Fit:
    """Normal values around a centre and with a spread that are known."""
    layout = lay_out(np.ones(shape, np.bool_))
    flat = rng.standard_normal(shape).ravel()
    return Fit(layout, flat, np.zeros_like(flat), np.ones_like(flat), np.ones_like(flat))


def shares(rng: np.random.Generator, shape: Shape) -> Fit:
    """Shares of independent counts, as read: p, or p' where the baseline varies more."""
    total = np.full(shape, 400.0)
    return widened(share_fit(rng.binomial(400, 0.9, shape).astype(float), total, _base(shape)), floor=1.0)


def clustered_shares(rng: np.random.Generator, shape: Shape) -> Fit:
    """Shares whose months vary 1.5 times as much as independent counts."""
    spread = 400 / (1.5**2 - 1)  # a beta-binomial of 400 with this size has 1.5 times the spread, nearly
    chance = rng.beta(0.9 * spread, 0.1 * spread, shape)
    total = np.full(shape, 400.0)
    return widened(share_fit(rng.binomial(400, chance).astype(float), total, _base(shape)), floor=1.0)


def plain_p_on_clustered(rng: np.random.Generator, shape: Shape) -> Fit:
    """The same months on a plain p chart: what the widening is for."""
    fit = clustered_shares(rng, shape)
    return fit._replace(sigma=fit.sigma / fit.dispersion)


def rates(rng: np.random.Generator, shape: Shape) -> Fit:
    """Rates of independent events, as read: u, or u' where the baseline varies more."""
    return widened(rate_fit(rng.poisson(20, shape).astype(float), np.ones(shape), _base(shape)), floor=1.0)


def rare_shares(rng: np.random.Generator, shape: Shape) -> Fit:
    """Shares of 400 of which one is expected in a month."""
    total = np.full(shape, 400.0)
    return widened(share_fit(rng.binomial(400, 1 / 400, shape).astype(float), total, _base(shape)), floor=1.0)


def rare_rates(expected: float) -> Callable[[np.random.Generator, Shape], Fit]:
    """Rates of events of which a month has so few."""

    def make(rng: np.random.Generator, shape: Shape) -> Fit:
        x = rng.poisson(expected, shape).astype(float)
        return widened(rate_fit(x, np.ones(shape), _base(shape)), floor=1.0)

    return make


def values(rng: np.random.Generator, shape: Shape) -> Fit:
    """Single values on an XmR chart."""
    return value_fit(rng.standard_normal(shape), np.zeros(shape, np.bool_), _base(shape))


ROWS: dict[str, Callable[[np.random.Generator, Shape], Fit]] = {
    "known limits": known_limits,
    "p, p'": shares,
    "p, p' on clustered counts": clustered_shares,
    "plain p on clustered counts": plain_p_on_clustered,
    "u, u'": rates,
    "p, p', 1 expected": rare_shares,
    "u, u', 3 expected": rare_rates(3.0),
    "u, u', 1 expected": rare_rates(1.0),
    "u, u', 0.2 expected": rare_rates(0.2),
    "XmR": values,
}
#: Denominators of the rows whose counts are small, and whether they are shares: there exact chance judges.
SMALL: dict[str, tuple[float, bool]] = {
    "p, p', 1 expected": (400.0, True),
    "u, u', 3 expected": (1.0, False),
    "u, u', 1 expected": (1.0, False),
    "u, u', 0.2 expected": (1.0, False),
}


def measured(
    make: Callable[[np.random.Generator, Shape], Fit], series: int, small: tuple[float, bool] | None = None
) -> list[float]:
    """Return chances in per cent: by rule and of any at a point after the baseline; in 36 months; of runs.

    Of small counts `small` tells denominator and kind; runs are not judged there.
    """
    shape = (series, _MONTHS)
    fit = make(np.random.Generator(np.random.PCG64(_SEED)), shape)
    exact = None if small is None else exact_of(fit, np.full(fit.value.shape, small[0]), small[1])
    complete = [np.asarray(rule) != 0 for rule in completions_of(fit, exact)]
    anything = np.logical_or.reduce(complete)
    later = np.arange(_MONTHS) >= BASELINE_POINTS
    found = [float(rule[:, later].mean()) for rule in (*complete, anything)]
    found.append(float(anything.any(axis=1).mean()))
    if small is None:
        found.append(float(runs(fit.value.reshape(shape), fit.centre.reshape(shape)).signal.mean()))
    return [100 * chance for chance in found]


def table(series: int) -> str:
    """Return the table in Markdown."""
    head = (
        "| chart | beyond a limit | shift | trend | near a limit | any | any in 36 months | runs, 36 months "
        "|\n"
        "| --- | --- | --- | --- | --- | --- | --- | --- |\n"
    )
    rows = []
    for name, make in ROWS.items():
        found = [f"{value:.2f}" for value in measured(make, series, SMALL.get(name))]
        rows.append(f"| {name} | {' | '.join(found + ['not judged'] * (7 - len(found)))} |\n")
    return head + "".join(rows)


def shown(document: str) -> str:
    """Return the table that a document shows."""
    return document.split(_BEGIN, 1)[1].split(_END, 1)[0].strip() + "\n"


def main(say: Callable[[str], None] = print) -> None:
    """Measure, print, and write into the document if asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=20_000)
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    args = parser.parse_args()
    text = table(args.series)
    say(text)
    if args.write:
        document = _DOCUMENT.read_text(encoding="utf-8")
        between = re.compile(f"(?s)(?<={_BEGIN}\n).*?(?={_END})")
        _DOCUMENT.write_text(between.sub(lambda _: text, document), encoding="utf-8")


if __name__ == "__main__":
    main()
