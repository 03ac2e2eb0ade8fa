"""One sheet serves all charts of a report: none shows what another left there, nor what an error left."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest

from dripledger.reports import draw
from dripledger.reports.anew import Restart
from dripledger.reports.series import History, history

MONTHS = [f"2025-{number:02d}" for number in range(1, 13)] + ["2026-01"]
#: Counts of each month over 400, a month without a figure is None; and what else stands on the chart.
CHARTS: dict[str, tuple[str, list[int | None], dict[str, Any]]] = {
    "a share near all": (
        "library_use_starts", [371, 380, 366, 377, 390, 369, 372, 381, 300, 379, 380, 371, 388], {},
    ),
    "a share of few": ("override_share", [2, 0, 1, 3, 0, 2, 1, 40, 0, 1, 2, 3, 1], {"marks": 2}),
    "a rate": ("delivery_alarm_rate", [31, 40, 22, 35, 61, 28, 33, 37, 29, 41, 30, 36, 90], {"marks": 1}),
    "limits begin anew": (
        "soft_alert_share", [90, 80, 85, 88, 92, 20, 22, 18, 25, 24, 21, 19, 23],
        {"marks": 1, "anew": ["2025-06"]},
    ),
    "months are missing": (
        "protected_share", [200, None, 220, None, None, 230, 201, 214, None, 207, 190, 222, None], {},
    ),
    "one month": ("library_use_starts", [371], {}),
    "two months, none counted": ("delivery_alarm_rate", [0, 0], {"marks": 1}),
}  # fmt: skip


def drawn(name: str) -> tuple[History, str]:
    measure, counts, more = CHARTS[name]
    months = MONTHS[: len(counts)]
    per = 100.0 if measure.endswith("_rate") else 1.0
    rows = [
        {
            "measure": measure, "month": month, "numerator": count, "denominator": 400,
            "value": per * count / 400, "low95": per * max(count - 8, 0) / 400,
            "high95": per * min(count + 9, 400) / 400, "status": "ok", "reason": "",
        }
        for month, count in zip(months, counts, strict=True)
        if count is not None
    ]  # fmt: skip
    marks = tuple(
        SimpleNamespace(area="", date=date(2025, 1 + n, 9), what="a change", new_limits=False, measures=())
        for n in range(more.get("marks", 0))
    )
    site: Any = SimpleNamespace(changes=marks, settings=SimpleNamespace(report=SimpleNamespace(decimal=",")))
    anew = [Restart(month, "a change") for month in more.get("anew", ())]
    return history(site, measure, months, rows, "", {months[-1]}, anew=anew), measure


def chart(name: str) -> str:
    found, _ = drawn(name)
    return draw.control_chart(found, name, lambda value: f"{value:.3f}")


def alone(name: str) -> str:
    draw._bare_chart.cache_clear()
    return chart(name)


@pytest.mark.parametrize("turn", [1, -1])
def test_a_chart_is_the_same_on_a_used_sheet_as_on_a_fresh_one(turn: int) -> None:
    fresh = {name: alone(name) for name in CHARTS}
    assert len(set(fresh.values())) == len(CHARTS)
    draw._bare_chart.cache_clear()
    for name in [*list(CHARTS)[::turn], *CHARTS]:
        assert chart(name) == fresh[name], name


def test_a_chart_that_fails_leaves_nothing_for_the_next() -> None:
    found, _ = drawn("a rate")
    fresh = alone("one month")

    def fails(value: float) -> str:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        draw.control_chart(found, "a rate", fails)
    assert chart("one month") == fresh
