"""What ten thousand charts of 36 months cost, beside one chart of 36,000 points.

Run ``python -m tests.benchmarks.statistics [--charts N] [--repeats R]``. The many charts hold ten times as
many points as the one; the promise is that they cost at most 20 times as much: nothing is done chart by
chart. Each job is one function over arrays. Seconds are those of the process, medians; the wall clock counts
little on a busy machine. Last, for scale, what reading one chart into words costs: that is done for what is
printed only.
"""

from __future__ import annotations

import argparse
import statistics as stdlib
import time
from collections.abc import Callable

import numpy as np

from dripledger import statistics as st
from tests.benchmarks.figures import note

_POINTS, _LONG, _PROMISE = 36, 36_000, 20.0
Counts = tuple[np.ndarray, np.ndarray]


def drawn(charts_drawn: int, points: int) -> Counts:
    """Return invented counts with unequal denominators; shape (charts, points)."""
    rng = np.random.Generator(np.random.PCG64([charts_drawn, points]))
    n = rng.integers(40, 600, (charts_drawn, points))
    return rng.binomial(n, rng.uniform(0.8, 0.97, (charts_drawn, 1))), n


JOBS: dict[str, Callable[[Counts], object]] = {
    "p_chart": lambda d: st.p_chart(*d),
    "u_chart": lambda d: st.u_chart(*d),
    "laney_p": lambda d: st.laney_p(*d),
    "laney_u": lambda d: st.laney_u(*d),
    "xmr": lambda d: st.xmr(d[0] / d[1]),
    "signals": lambda d: st.signals(d[0] / d[1], 0.9, 0.02),
    "runs": lambda d: st.runs(d[0] / d[1], 0.9),
}


def seconds(job: Callable[[Counts], object], data: Counts, repeats: int) -> float:
    """Return the median of seconds of the process."""
    job(data)
    taken = []
    for _ in range(repeats):
        began = time.process_time()
        job(data)
        taken.append(time.process_time() - began)
    return stdlib.median(taken)


def read_one() -> object:
    """Read one chart into words."""
    x, n = drawn(1, _POINTS)
    labels = [f"month {i}" for i in range(_POINTS)]
    return st.read_chart(labels, x[0], n[0], st.Series.COUNTS, enough=[True] * _POINTS)


def main(say: Callable[[str], None] = print) -> None:
    """Measure and print medians; end with 1 where the promise is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--charts", type=int, default=10_000)
    parser.add_argument("--repeats", type=int, default=7)
    args = parser.parse_args()
    many, one = drawn(args.charts, _POINTS), drawn(1, _LONG)
    say(
        f"{args.charts} charts of {_POINTS} points beside one of {_LONG}: seconds, and how many times as much"
    )
    worst = 0.0
    for name, job in JOBS.items():
        a, b = seconds(job, many, args.repeats), seconds(job, one, args.repeats)
        worst = max(worst, a / b)
        say(f"{name:24} {a:8.4f} {b:9.5f} {a / b:7.1f}")
    took = seconds(lambda _: read_one(), one, args.repeats)
    say(f"{'reading one chart':24} {took:8.4f}")
    note(f"{args.charts:,} charts of {_POINTS} points / one of {_LONG:,}", [worst], most=_PROMISE)
    if worst > _PROMISE:
        raise SystemExit(f"{worst:.1f} times: over the {_PROMISE:g} that was promised")


if __name__ == "__main__":
    main()
