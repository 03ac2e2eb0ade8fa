"""The small control chart against matplotlib (a general library), which draws the same months."""

from __future__ import annotations

import re
from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest
from tests.unit import drawn_by_matplotlib

from dripledger.reports.anew import Restart
from dripledger.reports.cards import set_value
from dripledger.reports.chart import control_chart
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


def places(svg: str) -> tuple[list[tuple[str, float, float]], list[tuple[str, list[float]]], list[Any]]:
    """Return what stands where: texts, lines and areas with their style, and shapes with theirs."""
    texts = [
        (text, float(x), float(y))
        for x, y, text in re.findall(
            r'<text [^>]*?transform="(?:rotate\(-0|translate\() ?([\d.-]+) ([\d.-]+)\)">([^<]*)<', svg
        )
    ]
    paths = [
        (
            " ".join(sorted(re.findall(r"(?:stroke|fill)[\w-]*: [^;]+", rest))),
            [float(number) for number in re.findall(r"-?\d[\d.]*", data)],
        )
        for data, rest in re.findall(r' d="([^"]*)"([^>]*)>', svg)
    ]
    shapes = [
        (style, float(x), float(y))
        for x, y, style in re.findall(r'<use [^>]*x="([\d.-]+)" y="([\d.-]+)" style="([^"]*)"', svg)
    ]
    return texts, paths, shapes


@pytest.mark.parametrize("name", CHARTS)
def test_everything_stands_where_the_library_puts_it(name: str) -> None:
    found, measure = drawn(name)

    def text(value: float) -> str:
        return set_value(measure, value, ",")

    ours = places(control_chart(found, "a", text))
    theirs = places(drawn_by_matplotlib.control_chart(found, "a", text))
    assert len(ours[0]) >= 3
    assert len(ours[1]) >= 8
    assert ours[2]
    for one, other in zip(ours, theirs, strict=True):
        assert len(one) == len(other)
        for mine, its in zip(one, other, strict=True):
            assert mine[0] == its[0]
            # A quarter of a point: a later version may set its texts a hair higher.
            assert flat(mine[1:]) == pytest.approx(flat(its[1:]), abs=0.25)


def flat(values: Any) -> list[float]:
    return list(values[0]) if isinstance(values[0], list) else list(values)


def test_the_chart_is_well_formed_and_its_ids_are_its_own() -> None:
    from xml.etree import ElementTree

    found, measure = drawn("a rate")
    one, same, other = (
        control_chart(found, name, lambda value: set_value(measure, value, ",")) for name in ("a", "a", "b")
    )
    assert one == same
    ids = [set(re.findall(r' id="([^"]+)"', svg)) for svg in (one, other)]
    assert len(ids[0]) == len(ids[1]) >= 4
    assert not ids[0] & ids[1]
    assert set(re.findall(r"#([mp][0-9a-f]{10})", one)) == ids[0]
    root = ElementTree.fromstring(one)
    assert root.attrib["viewBox"] == "0 0 252 123.84"


def test_what_is_told_of_a_value_is_text() -> None:
    found, _ = drawn("a rate")
    made = control_chart(found, "a", lambda value: "<1 & more")
    assert "&lt;1 &amp; more" in made
    assert "<1" not in made
