"""A chart of which only the last months are shown: the whole series makes its limits and its patterns."""

from __future__ import annotations

import numpy as np

from dripledger.statistics import Change, ChartReading, Series, read_chart

CALM = [186, 185, 187, 186, 188, 186, 184, 186, 187, 186, 185, 186]
MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
          "November", "December")  # fmt: skip
LABELS = [f"{month} {year}" for year in (2024, 2025, 2026) for month in MONTHS]


def read(x: list[int], since: int, **options: object) -> ChartReading:
    given = {"enough": [True] * len(x), **options}
    return read_chart(LABELS[: len(x)], x, [200] * len(x), Series.COUNTS, since=since, **given)  # type: ignore[arg-type]


def test_limits_stand_while_months_leave_the_left_edge() -> None:
    """A slow decay of a point a month: a window that slid its baseline along would never see it."""
    x = [*CALM, *[186 - k for k in range(1, 19)]]
    centres = set()
    for months in range(13, 31):
        found = read(x[:months], months - 13)
        assert len(found.points) == 13
        centres.add(found.points[-1].centre)
        assert [p.centre for p in found.points] == [sum(CALM) / 2400] * 13
    assert len(centres) == 1
    late = read(x, 17)
    assert "beyond" in late.points[-1].signals
    assert not any(p.in_baseline for p in late.points)
    assert (
        "Limits rest on the 12 months from January to December 2024 and stand until a declared change."
        in late.notes
    )
    alone = read_chart(LABELS[17:30], x[17:], [200] * 13, Series.COUNTS, enough=[True] * 13)
    assert "beyond" not in alone.points[-1].signals


def test_what_is_shown_is_the_end_of_the_whole_reading() -> None:
    rng = np.random.Generator(np.random.PCG64(9))
    x = rng.binomial(200, np.r_[np.full(18, 0.9), np.full(18, 0.84)]).tolist()
    whole, shown = read(x, 0), read(x, 23)
    assert shown.points == whole.points[23:]
    assert shown.looked_at == whole.looked_at
    last = [one.rule for one in whole.found if 35 in one.points]
    assert [one.rule for one in shown.found if 12 in one.points] == last
    for one in shown.found:
        assert one.points
        assert all(0 <= point < 13 for point in one.points)
        assert all(one.rule in shown.points[point].signals for point in one.points)


def test_a_shift_that_began_before_is_named_whole_and_single_months_before_are_not_named() -> None:
    x = [*CALM, 150, 186, *[183] * 9]
    found = read(x, 16)
    assert found.sentences == (
        "All 9 months from March to November 2025 lie below the centre: the level has changed for longer "
        "than chance explains.",
    )
    assert found.found[0].points == tuple(range(7))


def test_segments_that_ended_before_are_gone_and_the_others_counted_anew() -> None:
    x = [*CALM, *CALM, *CALM]
    changes = [Change(5, "go-live"), Change(20, "release"), Change(30, "recall")]
    found = read(x, 23, changes=changes)
    assert [(one.first, one.last, one.since) for one in found.segments] == [
        (0, 6, "release"),
        (7, 12, "recall"),
    ]
    assert {p.segment for p in found.points} == {0, 1}
    assert found.notes[0] == "New limits from September 2025 on: release."
    assert not any("go-live" in note for note in found.notes)


def test_months_without_a_figure_are_named_only_where_they_are_shown() -> None:
    enough = [True] * 26
    enough[3] = enough[20] = False
    notes = read([*CALM, *CALM, 186, 186], 13, enough=enough, provisional=[False] * 25 + [True]).notes
    assert "Too few data for a figure, so no point: September 2025." in notes
    assert "Provisional, so without a signal: February 2026." in notes


def test_a_long_wave_that_is_over_is_not_told_of_months_that_show_none() -> None:
    calm = [180, 192, 184, 188, 181, 191, 186, 187, 185, 188, 183, 187]
    wave = [*calm, *[188, 189, 187, 188] * 3, *calm]
    whole, shown = read(wave, 0), read(wave, 24)
    assert whole.segments[-1].runs.longest == 13  # type: ignore[union-attr]
    assert shown.segments[-1].runs.longest == 2  # type: ignore[union-attr]
    assert shown.sentences == ("Nothing in these months is more than chance explains.",)
    assert shown.segments[-1].points == whole.segments[-1].points == 36


def test_a_shift_over_a_month_without_a_figure_says_nothing_of_that_month() -> None:
    enough = [True] * 21
    enough[16] = False
    found = read([*CALM, 186, *[183] * 8], 8, enough=enough)
    assert found.sentences == (
        "All 7 months with a figure from February to September 2025 lie below the centre: the level has "
        "changed for longer than chance explains.",
    )
