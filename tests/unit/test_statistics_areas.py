"""Areas side by side: funnels read, standardised ones too; no ranks, no guess unnamed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from dripledger.errors import DripledgerError
from dripledger.statistics import (
    ArrayError,
    FunnelReading,
    NotComparableError,
    funnel_limits,
    normal_quantile,
    rate_funnel_limits,
    read_funnel,
    read_standardised_funnel,
)
from dripledger.statistics.funnel_scores import exact_scores

TWELVE = [f"Area {letter}" for letter in "ABCDEFGHIJKL"]
CALM = [30, 28, 33, 31, 27, 30, 32, 29, 30, 31, 28, 31]


def read(x: list[int], n: int = 300, **options: object) -> FunnelReading:
    given = {"share": True, "enough": [True] * len(x), "comparable": True, **options}
    return read_funnel(TWELVE[: len(x)], x, [n] * len(x), **given)  # type: ignore[arg-type]


def test_calm_areas_lie_within_exact_limits() -> None:
    found = read(CALM)
    assert found.tau2 == 0
    assert found.sentences == ("No area lies beyond the 99.8 % limits.",)
    limits = funnel_limits(sum(CALM) / 3600, 300, 0.998)
    assert found.points[0].outer == (float(limits.low), float(limits.high))
    assert not found.guess


def test_an_area_far_out_is_named_with_its_side() -> None:
    found = read([*CALM[:10], 75, 4])
    assert found.sentences[:2] == (
        "Area K lies above the 99.8 % limits: more than chance explains.",
        "Area L lies below the 99.8 % limits: more than chance explains.",
    )
    assert [p.beyond_outer for p in found.points] == [0] * 10 + [1, -1]
    assert any("2 stand out" in note for note in found.notes)


def test_between_the_limits_is_said_with_what_chance_gives() -> None:
    found = read([*CALM[:11], 43])
    assert found.sentences[1] == (
        "Area L lies beyond the 95 % limits only; by chance about 0.6 of 12 areas would lie beyond them."
    )


def test_areas_that_differ_anyway_widen_the_limits_and_it_is_said() -> None:
    """Worked out here from the binomial distribution alone; no score of these lies on an edge."""
    x = np.array([10, 52, 22, 44, 15, 60, 31, 8, 49, 18, 39, 27])
    found = read(x.tolist())
    target = x.sum() / 3600
    z = stats.norm.ppf(stats.binom.cdf(x - 1, 300, target) + stats.binom.pmf(x, 300, target) / 2)
    pulled = np.clip(z, np.quantile(z, 0.1), np.quantile(z, 0.9))
    weight = 4 * 300.0  # one over the variance 1 / 4n of an arcsine
    tau2 = ((pulled**2).sum() - 11) / (12 * weight - weight)
    assert found.phi == pytest.approx((pulled**2).mean())
    assert found.tau2 == pytest.approx(tau2)
    assert tau2 > 0
    exact = funnel_limits(target, 300, 0.998)
    assert found.points[0].outer[1] > float(exact.high)  # type: ignore[index]
    assert any(note.startswith("Areas differ more than chance explains") for note in found.notes)
    wide = z / np.sqrt(1 + weight * tau2)
    p = stats.false_discovery_control(2 * stats.norm.sf(np.abs(wide)))
    assert [p.adjusted_p for p in found.points] == pytest.approx(p.tolist())


def test_areas_that_differ_no_more_than_chance_leave_the_exact_limits() -> None:
    """A mean squared score between 11/12 and 1 would make a variance above 0; it is no sign of one."""
    x = [38, 31, 24, 24, 29, 23, 32, 31, 21, 34, 34, 37]
    found = read(x)
    assert 11 / 12 < found.phi < 1  # type: ignore[operator]
    assert found.tau2 == 0
    limits = funnel_limits(sum(x) / 3600, 300, 0.95)
    assert found.points[0].inner == (float(limits.low), float(limits.high))
    assert not any("widened" in note for note in found.notes)


@pytest.mark.parametrize("share", [True, False])
def test_scores_go_with_the_limits_and_widened_limits_are_never_inside_exact_ones(share: bool) -> None:
    rng = np.random.Generator(np.random.PCG64(8))
    widened = beyond = 0
    for spread in (0.0, 0.1, 0.25):
        for _ in range(40):
            n = rng.integers(60, 900, 12)
            rate = np.exp(rng.normal(-2.2, spread, 12)) * np.where(rng.uniform(size=12) < 0.1, 1.7, 1)
            x = rng.binomial(n, rate) if share else rng.poisson(n * rate)
            labels = TWELVE
            found = read_funnel(labels, x, n, share=share, enough=[True] * 12, comparable=True)
            make = funnel_limits if share else rate_funnel_limits
            widened += bool(found.tau2)
            for point, size in zip(found.points, n, strict=True):
                if point.z is None or point.outer is None or point.inner is None:
                    continue
                assert (abs(point.z) > normal_quantile(0.975)) == bool(point.beyond_inner)
                assert (abs(point.z) > normal_quantile(0.999)) == bool(point.beyond_outer)
                assert point.z * point.beyond_inner >= 0
                beyond += bool(point.beyond_outer)
                for pair, level in ((point.inner, 0.95), (point.outer, 0.998)):
                    exact = make(found.target or 0.0, size, level)
                    assert pair[0] <= float(exact.low)
                    assert pair[1] >= float(exact.high)
    assert widened > 20
    assert beyond > 10


def test_scores_have_the_chance_that_they_say() -> None:
    """Mid-p scores of binomial counts: mean square near 1, tails as often as normal ones, by simulation."""
    rng = np.random.Generator(np.random.PCG64(18))
    n = np.full(40_000, 60)
    for target in (0.1, 0.5):
        z = exact_scores(rng.binomial(60, target, n.size).astype(float), n.astype(float), target, True).z
        assert abs(float(np.mean(z**2)) - 1) < 0.03
        assert float(np.mean(np.abs(z) > 1.96)) == pytest.approx(0.05, abs=0.012)


def test_areas_with_few_expected_keep_their_counts_and_stay_in_the_target() -> None:
    x, n = [*CALM[:10], 9, 0], [*[300] * 11, 40]
    found = read_funnel(TWELVE, x, n, share=True, enough=[True] * 12, comparable=True)
    assert found.target == pytest.approx(sum(x) / sum(n))
    assert sum(x) / sum(n) * 40 < 5
    last = found.points[11]
    assert (last.numerator, last.denominator, last.value, last.outer) == (0, 40, None, None)
    assert "Under 5 are expected, so counts only: Area L." in found.notes
    assert not any("Too few data" in note for note in found.notes)
    nobody = read_funnel(TWELVE[:2], [1, 2], [30, 30], share=True, enough=[True] * 2, comparable=True)
    assert nobody.sentences == ("No area has enough data to be compared.",)
    assert nobody.notes == ("Under 5 are expected, so counts only: Area A, Area B.",)
    full = read_funnel(TWELVE[:2], [300, 298], [300, 300], share=True, enough=[True] * 2, comparable=True)
    assert full.target is None  # of the rest one is expected in each


def test_under_ten_areas_the_spread_between_them_is_called_a_guess() -> None:
    assert any("is a guess here: there are 9 areas" in note for note in read(CALM[:9]).notes)
    assert not any("guess" in note for note in read(CALM[:10]).notes)


def test_areas_stay_in_their_order_and_no_rank_is_given() -> None:
    found = read([*CALM[:10], 75, 4])
    assert [p.label for p in found.points] == TWELVE
    words = " ".join((*found.sentences, *found.notes)).lower()
    assert not any(word in words for word in ("rank", "best", "worst", "first place", "league"))
    assert "The order of the areas says nothing." in found.notes


def test_areas_under_the_least_data_keep_counts_and_touch_nothing() -> None:
    found, without = read([*CALM[:11], 290], enough=[True] * 11 + [False]), read(CALM[:11])
    assert found.target == without.target
    last = found.points[11]
    assert (last.numerator, last.value, last.outer, last.z) == (290, None, None, None)
    assert "Too few data to be compared, counts only: Area L." in found.notes


def test_a_measure_that_compares_drugs_not_areas_is_refused() -> None:
    with pytest.raises(NotComparableError, match="areas differ in drugs") as caught:
        read(CALM, comparable=False, why="areas differ in drugs and limits")
    assert isinstance(caught.value, DripledgerError)
    assert "standardise it by entry" in str(caught.value)


def test_all_alike_at_none_or_all() -> None:
    for x in ([0] * 12, [300] * 12):
        found = read(x)
        assert found.sentences == ("No area lies beyond the 99.8 % limits.",)
        assert found.points[0].outer == (x[0] / 300, x[0] / 300)
    rates = read([0] * 12, share=False)
    assert rates.points[0].outer == (0, 0)


def test_one_area_and_none() -> None:
    one = read([30])
    assert (one.phi, one.tau2, one.guess) == (None, None, True)
    none = read([30, 2], enough=[False, False])
    assert none.target is None
    assert none.sentences == ("No area has enough data to be compared.",)
    assert [p.numerator for p in none.points] == [30, 2]


def test_rates_have_poisson_limits() -> None:
    found = read([*CALM[:11], 75], share=False, n=100)
    assert found.target == pytest.approx((sum(CALM[:11]) + 75) / 1200)
    assert found.points[11].beyond_outer == 1
    wide = read([10, 52, 22, 44, 15, 60, 31, 8, 49, 18, 39, 27], share=False, n=100)
    assert wide.tau2 > 0  # type: ignore[operator]
    assert not any(p.beyond_outer for p in wide.points)


def test_a_difference_of_drugs_alone_does_not_stand_out_once_standardised() -> None:
    """Overrides: every area treats each entry alike, but the areas use very different entries."""
    rng = np.random.Generator(np.random.PCG64(15))
    chance = np.array([0.2, 0.5, 0.9])
    n = rng.integers(5, 60, (12, 3))
    n[np.arange(12), np.arange(12) % 3] += 400
    x = rng.binomial(n, chance)
    plain = read_funnel(TWELVE, x.sum(1), n.sum(1), share=True, enough=[True] * 12, comparable=True)
    fair = read_standardised_funnel(TWELVE, x, n, share=True, enough=[True] * 12)
    assert plain.phi > 50  # type: ignore[operator]
    assert fair.phi < 2  # type: ignore[operator]
    assert not any(p.beyond_outer for p in fair.points)
    assert fair.target == 1
    assert fair.notes[0].startswith("Each area is compared with what its own mix of entries lets expect")
    assert fair.points[0].value == pytest.approx(x[0].sum() / fair.points[0].denominator)


def test_a_real_difference_stands_out_once_standardised() -> None:
    rng = np.random.Generator(np.random.PCG64(13))
    chance = np.array([0.2, 0.5, 0.9])
    n = rng.integers(50, 200, (12, 3))
    x = rng.binomial(n, chance)
    x[4] = rng.binomial(n[4], [0.5, 0.8, 0.95])
    found = read_standardised_funnel(TWELVE, x, n, share=True, enough=[True] * 12)
    assert [p.label for p in found.points if p.beyond_outer == 1] == ["Area E"]


def test_an_area_alone_with_its_entries_is_not_judged() -> None:
    x, n = [[5, 0], [6, 0], [0, 9]], [[30, 0], [30, 0], [0, 30]]
    found = read_standardised_funnel(["A", "B", "C"], x, n, share=True, enough=[True] * 3)
    assert [p.value is None for p in found.points] == [False, False, True]
    nobody = read_standardised_funnel(["C"], [[9]], [[30]], share=True, enough=[True])
    assert nobody.target is None
    few = read_standardised_funnel(["A", "B"], x[:2], n[:2], share=False, enough=[False, False])
    assert few.sentences == ("No area has enough data to be compared.",)


@pytest.mark.parametrize(
    ("x", "n", "enough", "argument", "position"),
    [
        ([1, 5], [3, 3], [True, True], "x", (1,)),
        ([1, 1], [3, 2.5], [True, True], "n", (1,)),
        ([1], [3], [True, True], "x", None),
        ([1, 1], [3, 3], [True], "enough", None),
    ],
)
def test_what_cannot_be_is_named(
    x: list[float], n: list[float], enough: list[bool], argument: str, position: object
) -> None:
    with pytest.raises(ArrayError) as caught:
        read_funnel(["A", "B"], x, n, share=True, enough=enough, comparable=True)
    assert (caught.value.argument, caught.value.position) == (argument, position)
