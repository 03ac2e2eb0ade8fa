"""Before and after: the difference, and what it cannot exclude."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dripledger.statistics import (
    ArrayError,
    Contrast,
    Setting,
    clustered_share,
    compare_hours,
    compare_rates,
    compare_shares,
    newcombe,
    rate_ratio,
)

WINTER = Setting("the release of library 7", (1, 2, 3), (1, 2, 3))


def test_a_clear_difference_of_shares() -> None:
    found = compare_shares(800, 900, 860, 910, WINTER)
    limits = newcombe(860, 910, 800, 900)
    assert (found.low, found.high) == (float(limits.low), float(limits.high))
    assert found.value == pytest.approx(860 / 910 - 800 / 900)
    assert found.holds_none is False
    assert found.sentence == (
        "After the release of library 7 the share was 5.6 points higher (95 % interval 3.1 to 8.2 points). "
        "Chance alone hardly explains it; that does not make the event between its cause."
    )


def test_a_difference_that_may_be_chance_says_so() -> None:
    found = compare_shares(80, 90, 82, 91, Setting("the training"))
    assert found.holds_none
    assert "this may be chance, or a real change that these data are too few to tell" in found.sentence


def test_no_difference() -> None:
    found = compare_shares(80, 90, 80, 90, WINTER)
    assert found.value == 0
    assert "the same as before" in found.sentence


def test_the_season_is_excluded_only_by_the_same_months() -> None:
    same = compare_shares(80, 90, 70, 90, WINTER)
    other = compare_shares(80, 90, 70, 90, Setting("x", (1, 2, 3), (4, 5, 6)))
    unknown = compare_shares(80, 90, 70, 90, Setting("x"))
    assert not any("season" in caution for caution in same.cautions)
    assert any("season" in caution for caution in other.cautions)
    assert any("season" in caution for caution in unknown.cautions)


@pytest.mark.parametrize("chosen", [True, False])
def test_regression_to_the_mean_and_trend_are_always_said(chosen: bool) -> None:
    setting = Setting("the training", (1,), (1,), chosen_for_its_value=chosen)
    for found in (
        compare_shares(80, 90, 70, 90, setting),
        compare_rates(30, 10.0, 20, 10.0, setting),
        compare_shares(1, 2, 1, 2, setting, enough=False),
    ):
        text = " ".join(found.cautions)
        assert "regression to the mean" in text
        assert "trend" in text
        assert "independent" in text or "come in clusters" in text or found.value is None
        assert ("was looked at because its figure stood out" in text) == chosen


def test_too_few_data_tell_counts_only() -> None:
    found = compare_shares(3, 9, 5, 8, Setting("the training"), enough=False)
    assert (found.value, found.low, found.high, found.before, found.holds_none) == (None,) * 5
    assert (
        found.sentence
        == "Too few data to compare before and after the training: 3 of 9 before, 5 of 8 after."
    )
    assert compare_shares(0, 0, 5, 8, WINTER).value is None
    assert compare_rates(0, 10.0, 0, 10.0, WINTER).value is None
    assert compare_rates(3, 0.5, 0, 0, WINTER).value is None


def test_a_ratio_of_rates() -> None:
    found = compare_rates(10, 100.0, 25, 100.0, Setting("the training", decimal=","))
    limits = rate_ratio(25, 100, 10, 100)
    assert found.contrast is Contrast.RATIO
    assert found.value == pytest.approx(2.5)
    assert (found.low, found.high) == (float(limits.low), float(limits.high))
    assert "2,50 times the rate before (95 % interval 1,16 to" in found.sentence


def test_events_after_none_and_none_after_events() -> None:
    after_none = compare_rates(0, 100.0, 20, 100.0, WINTER)
    assert after_none.value == math.inf
    assert after_none.high == math.inf
    assert "above 0 after none before" in after_none.sentence
    gone = compare_rates(20, 100.0, 0, 100.0, WINTER)
    assert (gone.value, gone.low) == (0, 0)
    assert gone.holds_none is False


def test_shares_of_hours_use_the_intervals_that_count_infusions() -> None:
    rng = np.random.Generator(np.random.PCG64(4))
    hours = rng.uniform(1, 20, 200)
    before = clustered_share(hours * (rng.random(200) < 0.7), hours, np.arange(200))
    after = clustered_share(hours * (rng.random(200) < 0.9), hours, np.arange(200))
    found = compare_hours(before, after, WINTER)
    assert found.value == pytest.approx(float(after.value[0] - before.value[0]))
    assert found.low < found.value < found.high  # type: ignore[operator]
    down = math.hypot(float(after.value[0] - after.low[0]), float(before.high[0] - before.value[0]))
    assert found.low == pytest.approx(found.value - down)
    one = clustered_share([1.0], [3.0], [7])
    assert compare_hours(one, after, WINTER).sentence.endswith("1 infusions before, 200 infusions after.")
    with pytest.raises(ArrayError, match="groups"):
        compare_hours(clustered_share([1.0, 1.0], [2.0, 2.0], [1, 2], [0, 1]), after, WINTER)


def test_nothing_reads_as_if_the_event_were_the_cause() -> None:
    found = compare_shares(500, 900, 880, 900, WINTER)
    text = " ".join((found.sentence, *found.cautions)).lower()
    assert not any(word in text for word in ("because of", "thanks to", "improved", "led to better", "saved"))


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: compare_shares(5, 3, 1, 3, WINTER), "x"),
        (lambda: compare_rates(-1, 3, 1, 3, WINTER), "x2"),
        (lambda: compare_shares(1, 3, 1, 3, Setting("x", (0,), (1,))), "months_before"),
        (lambda: compare_shares(1, 3, 1, 3, Setting("x", (1,), (1, 13))), "months_after"),
    ],
)
def test_what_cannot_be_is_named(call: object, argument: str) -> None:
    with pytest.raises(ArrayError) as caught:
        call()  # type: ignore[operator]
    assert caught.value.argument == argument
