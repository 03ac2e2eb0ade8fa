"""The part of the page on limit alerts: how often they warn, what became of them, and the cases."""

from __future__ import annotations

from typing import Any, Final

import duckdb

from dripledger.measures import MEASURES
from dripledger.measures.limit_definitions import FAR_TIMES, OUTCOME_WORDS
from dripledger.reports import words
from dripledger.reports.cases import warnings
from dripledger.reports.grid import Row, by_area, by_part, left_out, totals
from dripledger.reports.model import Item, OutcomeRow, OutcomeTable, Warnings

_AREA_COLUMNS: Final = (
    ("soft_alert_share", "Programmings with a soft alert", "programmings"),
    ("hard_alert_share", "Programmings with a hard alert", "programmings"),
    ("soft_alerts_per_100_infusions", "Soft alerts per 100 in-library infusions", "infusions"),
    ("override_share", "Soft-limit attempts overridden", "attempts"),
    ("left_library_share", "Attempts that left the library", "attempts"),
)
_PHASES: Final = (("Start", "start"), ("Change", "change"), ("Bolus", "bolus"))
_TOTALS: Final = (
    ("soft_alerts_per_100_infusions", "Soft alerts per 100 in-library infusions", "programmings / infusions"),
    ("hard_alerts_per_100_infusions", "Hard alerts per 100 in-library infusions", "programmings / infusions"),
    ("infusion_override_share", "Infusions with a soft alert that ran past one", "infusions"),
    ("override_repeat_share", "Overrides that repeat one of the same infusion", "overrides"),
    ("override_under_3s_share", "Overrides within 3 s of the last alert", "overrides"),
    ("far_overrides", f"Overrides at {FAR_TIMES[0]} times the limit or more", "overrides"),
    *(
        (f"far_overrides_{times}x", f"Overrides at {times} times the limit or more", "overrides")
        for times in FAR_TIMES[1:]
    ),
)
_APART: Final = {
    "attempts_maintenance": ("attempts in maintenance", "in no figure of limit alerts"),
    "attempts_training": ("attempts in training", "in no figure of limit alerts"),
}


def compose_warnings(
    con: duckdb.DuckDBPyConnection,
    month: str,
    rows: list[Row],
    facility: dict[str, Row],
    decimal: str,
    hide: str,
) -> Warnings:
    """Compose the part.

    Parameters
    ----------
    con
        Connection with the relations of measures and reports.
    month
        The month, ``YYYY-MM``.
    rows
        Its table of measures by care area.
    facility
        Its table of measures without groups: name of the row -> row.
    decimal, hide
        As `figure` takes them.
    """
    return Warnings(
        areas=by_area(rows, _AREA_COLUMNS, decimal, hide),
        phases=by_part(
            facility,
            [(label, (f"soft_alert_share_{phase}", f"hard_alert_share_{phase}")) for label, phase in _PHASES],
            (("With a soft limit alert", "programmings"), ("With a hard limit alert", "programmings")),
            decimal,
            hide,
        ),
        outcomes=tuple(
            _outcomes(rows, facility, name, decimal) for name in ("outcomes_soft", "outcomes_hard")
        ),
        totals=totals(facility, _TOTALS, decimal, hide),
        left_out=left_out(facility, ("soft_alert_share", *(name for name, _, _ in _TOTALS)), decimal, hide),
        apart=apart(con, month, _APART),
        far=warnings(con, month, "far_override", decimal, OUTCOME_WORDS),
        left=warnings(con, month, "left_library", decimal, OUTCOME_WORDS),
    )


def apart(con: duckdb.DuckDBPyConnection, month: str, known: dict[str, tuple[str, str]]) -> tuple[Item, ...]:
    """Return what no rate counts, out of `warnings_apart`."""
    found: dict[str, Any] = dict(
        con.execute("select what, amount from warnings_apart where month = ?", [month]).fetchall()
    )
    return tuple(
        Item(what=title, count=words.whole(found[what]), detail=detail)
        for what, (title, detail) in known.items()
        if what in found
    )


def _outcomes(rows: list[Row], facility: dict[str, Row], name: str, decimal: str) -> OutcomeTable:
    measure = MEASURES[name]
    areas: dict[str, dict[str, Row]] = {}
    for row in rows:
        if row["measure"] in measure.rows:
            areas.setdefault(row["care_area"], {})[row["measure"]] = row
    lines = [
        _outcome_row(area, [found[part] for part in measure.rows], decimal) for area, found in areas.items()
    ]
    lines.append(_outcome_row("in total", [facility[part] for part in measure.rows], decimal))
    return OutcomeTable(
        title=measure.title,
        columns=tuple(f"{words_of[0].upper()}{words_of[1:]}" for words_of in OUTCOME_WORDS.values()),
        rows=tuple(lines),
    )


def _outcome_row(area: str, parts: list[Row], decimal: str) -> OutcomeRow:
    """Give counts always, and shares where there is enough for one."""
    first = parts[0]
    if first["status"] == "not_measurable":
        return OutcomeRow(area=area, parts=(), whole="", reason=f"not measurable: {first['reason']}")
    texts = []
    for row in parts:
        text = words.whole(int(row["numerator"]))
        if row["value"] is not None:
            text += f" ({words.points(row['value'], decimal)}{words.THIN}%)"
        texts.append(text)
    return OutcomeRow(area=area, parts=tuple(texts), whole=words.whole(int(first["denominator"])))
