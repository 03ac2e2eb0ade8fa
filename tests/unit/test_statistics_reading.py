"""A chart read: which chart, which limits, which words."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.stats import betabinom

from dripledger.statistics import (
    ArrayError,
    Change,
    ChartKind,
    ChartReading,
    Look,
    Series,
    p_chart,
    read_chart,
    signals,
)
from dripledger.statistics.words import listed, span

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
LABELS = [f"{month} {year}" for year in (2024, 2025, 2026) for month in MONTHS]
#: Twelve months at 93 % whose spread is that of counts, or less.
CALM = [186, 185, 187, 186, 188, 186, 184, 186, 187, 186, 185, 186]


def read(x: list[int], n: int = 200, **options: object) -> ChartReading:
    given = {"enough": [True] * len(x), **options}
    return read_chart(LABELS[: len(x)], x, [n] * len(x), Series.COUNTS, **given)  # type: ignore[arg-type]


def test_months_below_the_limits_are_named_in_one_sentence() -> None:
    found = read([*CALM, 186, 184, 160, 158])
    assert found.sentences[0] == "March and April 2025 are below what chance explains."
    assert [p.label for p in found.points if "beyond" in p.signals] == ["March 2025", "April 2025"]
    assert found.found[0].points == (14, 15)
    assert found.found[0].side == -1


def test_many_months_in_a_row_are_named_by_the_first_and_the_last() -> None:
    assert read([*CALM, 150, 151, 152, 150]).sentences[0] == (
        "All 4 months from January to April 2025 are below what chance explains."
    )
    assert read([*CALM, 150, 151, 186, 152, 150]).sentences[0] == (
        "January, February, April and May 2025 are below what chance explains."
    )


def test_one_month_and_months_of_two_years() -> None:
    assert read([*CALM, 150]).sentences[0] == "January 2025 is below what chance explains."
    assert (
        listed(["November 2025", "December 2025", "January 2026"])
        == "November, December 2025 and January 2026"
    )
    assert listed(["Ward 3", "Ward 4"]) == "Ward 3 and Ward 4"
    assert span("March 2025", "May 2025") == "from March to May 2025"
    assert span("March 2025", "May 2026") == "from March 2025 to May 2026"


def test_limits_rest_on_the_first_twelve_points_and_later_ones_do_not_move_them() -> None:
    short, long = read(CALM), read([*CALM, *[170] * 12])
    assert short.points[0].low == long.points[0].low == long.points[23].low
    assert [p.in_baseline for p in long.points] == [True] * 12 + [False] * 12
    wanted = p_chart([*CALM, *[170] * 12], [200] * 24, baseline=np.arange(24) < 12)
    assert [p.low for p in long.points] == pytest.approx(wanted.low.tolist())
    assert "Limits rest on the first 12 months and stand until a declared change." in long.notes


def test_a_shift_is_told_with_its_months() -> None:
    found = read([*CALM, *[183] * 8])
    assert found.sentences == (
        "All 8 months from January to August 2025 lie below the centre: the level has changed for longer "
        "than chance explains.",
    )


def test_a_rise_is_told() -> None:
    found = read([*CALM, 180, 182, 183, 184, 187, 189, 190])
    told = [s for s in found.sentences if "unbroken rise" in s]
    assert told == [
        "All 7 months from January to July 2025 form an unbroken rise: each is higher than the one before, "
        "for longer than chance explains."
    ]


def test_two_of_three_near_a_limit_are_told() -> None:
    found = read([*CALM, 176, 185, 177])
    assert found.sentences == (
        "January and March 2025 are close to the lower limit, more often in three months running than chance "
        "explains.",
    )


def test_nothing_is_told_as_nothing() -> None:
    assert read(CALM).sentences == ("Nothing in these months is more than chance explains.",)
    assert read([186]).sentences == ("One of the months alone cannot show whether anything changed.",)


def test_long_waves_are_told_without_a_shift() -> None:
    wave = ([188] * 5 + [184] * 5) * 3
    found = read([*CALM, *wave[:24]])
    assert any("moves in longer waves" in sentence for sentence in found.sentences)


def test_under_twelve_points_the_limits_are_on_trial() -> None:
    found = read(CALM[:11])
    assert found.segments[0].trial
    assert any(note.startswith("Trial limits: they rest on 11 of the months") for note in found.notes)
    assert not read(CALM).segments[0].trial


def test_limits_start_anew_at_a_declared_change_only() -> None:
    x = [*CALM, *[170, 168, 171, 169, 170, 172, 170, 169]]
    plain, declared = read(x), read(x, changes=[Change(12, "release of library 7")])
    assert len(plain.segments) == 1
    assert "shift" in plain.points[14].signals
    assert len(declared.segments) == 2
    assert declared.sentences == ("Nothing in these months is more than chance explains.",)
    assert "New limits from January 2025 on: release of library 7." in declared.notes
    assert declared.segments[1].trial
    assert declared.points[11].centre == plain.points[11].centre
    assert declared.points[12].centre == pytest.approx(sum(x[12:]) / 1600)


def test_no_month_with_a_figure_since_a_change_is_said_so() -> None:
    found = read(CALM, changes=[Change(11, "release")], enough=[True] * 11 + [False])
    assert found.sentences == (
        "There are no months with a figure since the limits began anew, so nothing can be told yet.",
    )


def test_a_series_that_crosses_its_centre_once_does_so_once() -> None:
    found = read([*[188] * 6, *[184] * 6])
    assert any("crosses its centre once, where chance" in sentence for sentence in found.sentences)


def test_changes_of_one_month_are_named_together_and_a_first_one_too() -> None:
    found = read(CALM, changes=[Change(0, "go-live"), Change(6, "release"), Change(6, "recall")])
    assert [s.since for s in found.segments] == ["go-live", "release; recall"]
    assert [(s.first, s.last) for s in found.segments] == [(0, 5), (6, 11)]
    assert found.notes[0] == "New limits from January 2024 on: go-live."


def test_counts_that_vary_like_counts_get_p_and_others_get_it_widened() -> None:
    calm, wild = read(CALM), read([186, 170, 192, 165, 190, 172, 188, 168, 191, 174, 189, 166])
    assert calm.segments[0].chart is ChartKind.P
    assert "no more than independent counts would" in calm.segments[0].reason
    assert wild.segments[0].chart is ChartKind.P_WIDENED
    assert wild.segments[0].dispersion > 2  # type: ignore[operator]
    assert f"{wild.segments[0].dispersion:.2f} times as much" in wild.segments[0].reason
    assert any(note.startswith("Drawn as a p' chart, because") for note in wild.notes)


def test_the_chart_stands_as_long_as_its_limits() -> None:
    """Later months that vary wildly do not turn a p chart into another one."""
    assert read([*CALM, 150, 195, 149, 196]).segments[0].chart is ChartKind.P


def test_hours_never_get_a_p_chart() -> None:
    rng = np.random.Generator(np.random.PCG64(3))
    whole = np.full(20, 40_000.0)
    part = whole * rng.uniform(0.90, 0.95, 20)
    found = read_chart(LABELS[:20], part, whole, Series.HOURS, enough=[True] * 20)
    assert found.segments[0].chart is ChartKind.XMR
    assert "hours of one infusion stand together" in found.segments[0].reason
    assert found.points[0].value == pytest.approx(part[0] / 40_000)
    assert all(point.high <= 1 for point in found.points)  # type: ignore[operator]
    assert found.looked_at == Look(20, False)


def test_events_get_a_u_chart_and_single_values_an_xmr() -> None:
    x = [20, 22, 18, 21, 19, 20, 21, 20, 19, 22, 20, 18]
    events = read_chart(LABELS[:12], x, [10.0] * 12, Series.EVENTS, enough=[True] * 12)
    assert events.segments[0].chart is ChartKind.U
    assert events.points[0].value == 2
    single = read_chart(
        LABELS[:12], [-v for v in x], [30] * 12, Series.VALUES, enough=[True] * 12, noun="weeks"
    )
    assert single.segments[0].chart is ChartKind.XMR
    assert single.points[0].value == -20
    assert "weeks" in single.segments[0].reason


def test_months_under_the_least_data_show_counts_only() -> None:
    enough = [True] * 15
    enough[4] = enough[13] = False
    x = [*CALM, 186, 0, 185]
    found = read(x, enough=enough)
    point = found.points[13]
    assert (point.numerator, point.denominator) == (0, 200)
    assert (point.value, point.centre, point.low, point.signals) == (None, None, None, ())
    assert sum(p.in_baseline for p in found.points) == 12
    assert found.points[12].in_baseline  # the baseline has twelve points that show something
    assert "Too few data for a figure, so no point: May 2024, February 2025." in found.notes


def test_a_provisional_month_is_drawn_and_never_a_signal() -> None:
    x = [*CALM, 150]
    found = read(x, provisional=[False] * 12 + [True])
    assert found.points[12].value == 0.75
    assert found.points[12].low is not None
    assert found.points[12].signals == ()
    assert found.sentences == ("Nothing in these months is more than chance explains.",)
    assert "Provisional, so without a signal: January 2025." in found.notes
    assert read(CALM, provisional=[False] * 11 + [True]).segments[0].baseline_points == 11


def test_small_counts_are_called_rough_and_points_near_a_limit_are_not_judged() -> None:
    x = [1, 0, 2, 1, 0, 1, 2, 1, 0, 1, 1, 1, 4, 1, 4]
    found = read(x, 50)
    assert found.segments[0].rough
    assert any(
        note.startswith("Where under 5 are expected, limits are those of exact") for note in found.notes
    )
    assert not any("near" in point.signals for point in found.points)
    assert found.segments[0].runs is None


def test_what_was_judged_is_told_for_the_false_signals_to_expect() -> None:
    found = read([*CALM, 186, 184], changes=[Change(2, "go-live")])
    assert found.looked_at == Look(12, True, (200.0,) * 12, True, sum([*CALM, 186, 184][2:]) / 2400, 1.0)


def test_no_month_with_enough_data() -> None:
    found = read([1, 2], 5, enough=[False, False])
    assert found.sentences == ("There are no months with a figure yet, so nothing can be told.",)
    assert found.segments[0].runs is None
    assert found.looked_at == Look(0, True)
    assert "No limits yet: none of the months has enough data." in found.notes


def test_all_none_and_all_all_are_calm() -> None:
    """Limits: of 200 after 0 of 2200, two chance leaves possible (beta-binomial, scipy), three not."""
    lower = betabinom.sf(2, 200, 0.5, 2200.5), betabinom.sf(1, 200, 0.5, 2200.5)
    assert lower[0] < 0.00135 < lower[1]
    none, every = read([0] * 14), read([200] * 14)
    assert not none.found
    assert not every.found
    assert (none.points[0].low, none.points[0].centre, none.points[0].high) == (0, 0, 2 / 200)
    assert (every.points[0].low, every.points[0].centre, every.points[0].high) == (198 / 200, 1, 1)


def test_points_agree_with_the_rules_over_arrays() -> None:
    rng = np.random.Generator(np.random.PCG64(9))
    x = rng.binomial(200, np.r_[np.full(18, 0.9), np.full(18, 0.84)]).tolist()
    found = read(x)
    base = np.arange(36) < 12
    chart = p_chart(x, [200] * 36, baseline=base)
    spread = (np.array([p.high for p in found.points]) - chart.centre) / 3
    by_rule = signals(np.array(x) / 200, chart.centre, spread)
    for rule in ("beyond", "shift", "trend", "near"):
        told = [rule in point.signals for point in found.points]
        assert told == (getattr(by_rule, rule) != 0).tolist()


def test_a_reading_is_frozen_and_the_same_each_time() -> None:
    one, two = read([*CALM, 150]), read([*CALM, 150])
    assert one.points == two.points
    assert one.sentences == two.sentences
    with pytest.raises(dataclasses.FrozenInstanceError):
        one.sentences = ()  # type: ignore[misc]


def test_another_decimal_sign() -> None:
    wild = read([186, 170, 192, 165, 190, 172, 188, 168, 191, 174, 189, 166], decimal=",")
    assert any("," in note.split("differ ")[1].split(" times")[0] for note in wild.notes if "differ " in note)


@pytest.mark.parametrize(
    ("x", "n", "series", "options", "argument", "position"),
    [
        ([], [], Series.COUNTS, {"enough": []}, "labels", None),
        ([1, 2], [3], Series.COUNTS, {"enough": [True, True]}, "denominator", None),
        ([1, 5], [3, 3], Series.COUNTS, {"enough": [True, True]}, "numerator", (1,)),
        ([1, 5], [3, 3], Series.COUNTS, {"enough": [True, False]}, "numerator", (1,)),
        ([1.5, 1], [3, 3], Series.COUNTS, {"enough": [True, True]}, "numerator", (0,)),
        ([1, 5], [3, 3], Series.HOURS, {"enough": [True, True]}, "numerator", (1,)),
        ([1, 1], [3, -3], Series.HOURS, {"enough": [True, True]}, "denominator", (1,)),
        ([1, 1], [3, 0], Series.EVENTS, {"enough": [True, True]}, "numerator", (1,)),
        ([1, np.nan], [3, 3], Series.VALUES, {"enough": [True, True]}, "numerator", (1,)),
        ([1, 1], [3, 3], Series.COUNTS, {"enough": [True]}, "enough", None),
        ([1, 1], [3, 3], Series.COUNTS, {"enough": [1, 1]}, "enough", None),
        ([1, 1], [3, 3], Series.COUNTS, {"enough": [True] * 2, "provisional": [True]}, "provisional", None),
        ([1, 1], [3, 3], Series.COUNTS, {"enough": [True] * 2, "changes": [Change(2, "?")]}, "changes", (0,)),
        ([1, 1], [3, 3], Series.COUNTS, {"enough": [True] * 2, "since": 2}, "since", None),
    ],
)
def test_what_cannot_be_is_named(
    x: list[float],
    n: list[float],
    series: Series,
    options: dict[str, object],
    argument: str,
    position: object,
) -> None:
    with pytest.raises(ArrayError) as caught:
        read_chart(LABELS[: len(x)], x, n, series, **options)  # type: ignore[arg-type]
    assert (caught.value.argument, caught.value.position) == (argument, position)
