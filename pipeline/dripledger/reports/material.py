"""Everything that the pages of a report are composed from, read once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import duckdb
import pyarrow as pa

from dripledger.measures import ROWS, Facts, Month, MonthState, month_states, tabulate
from dripledger.reports.anew import Anew, read_anew
from dripledger.reports.behind import (
    BEHIND,
    OVER,
    Behind,
    measure_of,
    over_names,
    page_name,
    part_of,
    read_lists,
)
from dripledger.reports.case_list import CaseRow, read_cases
from dripledger.reports.compose import compose
from dripledger.reports.earlier import Earlier
from dripledger.reports.figures import figure
from dripledger.reports.hours_behind import HoursBehind, read_hours_behind
from dripledger.reports.list_pages import places
from dripledger.reports.model import Figure, Page, Stamp
from dripledger.reports.past import NEAR
from dripledger.reports.series import History, history
from dripledger.reports.share import SHARED, hide_small
from dripledger.reports.texts import SHARED_CAUTION
from dripledger.reports.together import CHARTED, TIED
from dripledger.site import Site

Row = dict[str, Any]


@dataclass(frozen=True)
class Material:
    """What one report is made of.

    Attributes
    ----------
    con
        Connection in which `build` ran.
    site, month, page
        The site, the month, and the composed page of all figures.
    facts
        What measures were made of, read once.
    months
        The months of the charts, the report's own last.
    by_area, facility
        Rows of the table of measures: of the report's month and the one before it every one, of those before
        what is charted.
    tables
        The lists behind the figures, with local times.
    cases
        Listed cases of all these months.
    earlier
        Months before these: what limits rest on.
    anew
        What starts limits anew.
    share
        Whether the report is for others: no list, no pump.
    """

    con: duckdb.DuckDBPyConnection
    site: Site
    month: Month
    page: Page
    facts: Facts
    months: tuple[str, ...]
    states: dict[str, MonthState]
    by_area: tuple[Row, ...]
    facility: tuple[Row, ...]
    tables: Mapping[str, pa.Table]
    cases: tuple[CaseRow, ...]
    earlier: Earlier
    anew: Anew
    share: bool = False

    @property
    def decimal(self) -> str:
        """The site's decimal sign."""
        return self.site.settings.report.decimal

    @property
    def hide(self) -> str:
        """What the page says once for all cells."""
        state = self.states[str(self.month)]
        return state.reason if state.provisional else ""

    @cached_property
    def lists(self) -> dict[str, list[Row]]:
        """The lists as rows."""
        return {name: table.to_pylist() for name, table in self.tables.items()}

    @cached_property
    def areas(self) -> tuple[str, ...]:
        """Care areas that the table of measures names, in its order."""
        return tuple(dict.fromkeys(r["care_area"] for r in self._own if r["care_area"]))

    @cached_property
    def _own(self) -> list[Row]:
        return [row for row in self.by_area if row["month"] == str(self.month)]

    @cached_property
    def _histories(self) -> dict[tuple[str, str], list[Row]]:
        found: dict[tuple[str, str], list[Row]] = {}
        for row in (*self.earlier.by_area, *self.by_area):
            if row["care_area"]:
                found.setdefault((row["measure"], row["care_area"]), []).append(row)
        for row in (*self.earlier.facility, *self.facility):
            found.setdefault((row["measure"], ""), []).append(row)
        return found

    @cached_property
    def _in_area(self) -> dict[tuple[str, str], list[Row]]:
        """The list rows of each (list, area)."""
        found: dict[tuple[str, str], list[Row]] = {}
        for name, rows in self.lists.items():
            for row in rows:
                found.setdefault((name, row["care_area"]), []).append(row)
        return found

    def rows_of(self, measure: str, area: str = "") -> list[Row]:
        """Return the rows of a measure in an area of all months, those included that no page shows."""
        return self._histories.get((measure, area), [])

    def row(self, measure: str, area: str = "") -> Row | None:
        """Return the month's row of a measure in an area; '' is the facility."""
        found = [r for r in self.rows_of(measure, area) if r["month"] == str(self.month)]
        return found[0] if found else None

    def figure(self, measure: str, area: str = "") -> Figure:
        """Return the month's cell of a measure."""
        row = self.row(measure, area)
        return Figure(status="no_data") if row is None else figure(row, self.decimal, self.hide)

    @cached_property
    def _read(self) -> dict[tuple[str, str], History]:
        return {}

    def history(self, measure: str, area: str = "") -> History:
        """Return the chart of a measure; each is read once."""
        if (measure, area) not in self._read:
            self._read[measure, area] = self._read_chart(measure, area)
        return self._read[measure, area]

    def _read_chart(self, measure: str, area: str) -> History:
        if measure not in CHARTED:
            raise ValueError(f"{measure} is not among CHARTED: no earlier month of it was read")
        return self.read_chart(measure, self.rows_of(measure, area), area)

    def read_chart(self, measure: str, rows: list[Row], area: str = "", entry: str | None = None) -> History:
        """Read the chart of rows of all months; of an area ('' is the facility), or of an entry."""
        provisional = {name for name, state in self.states.items() if state.provisional}
        return history(
            self.site, measure, self.months, rows, area, provisional | self.earlier.provisional,
            earlier=self.earlier.months, anew=self.anew.of(measure, area, entry),
        )  # fmt: skip

    @cached_property
    def _over(self) -> dict[str, str]:
        return over_names(self.lists)

    def _has_rows(self, behind: Behind, area: str) -> bool:
        rows = self._in_area.get((behind.list, area), [])
        return any(row[behind.column] in behind.parts for row in rows)

    def links(self, row_name: str, area: str) -> tuple[str, str]:
        """Return where a numerator and a denominator lead; empty where nothing is listed."""
        measure = measure_of(row_name)
        if not measure or self.share:
            return "", ""
        behind, part = BEHIND[measure], part_of(row_name)
        name = behind.shown_by or measure
        counted, rest = "counted", behind
        if behind.groups and part is not None:
            counted = part.value
        to_counted = self._part_page(name, behind, area, counted)
        if part is not None and part.column and not behind.groups and not area:
            to_counted = f"{page_name(name, '')}#by-{part.column}"
        if not behind.is_whole:
            name, rest = self._over[measure], OVER[measure]
        return to_counted, page_name(name, area if self._has_rows(rest, area) else "")

    def _part_page(self, name: str, behind: Behind, area: str, value: str) -> str:
        if not self._has_rows(behind, area):
            # areas are added up on a page of their own; only lists of the whole facility have rows of none
            return page_name(name, "")
        rows = [row for row in self._in_area[behind.list, area] if row[behind.column] in behind.parts]
        return places(name, area, behind, rows)[value]


def gather(
    con: duckdb.DuckDBPyConnection, site: Site, month: Month, made_from: Stamp, earlier: Earlier, *,
    share: bool = False,
) -> Material:  # fmt: skip
    """Read what the pages are composed from; `build` ran in `con` and gave `earlier`."""
    known = [row[0] for row in con.execute("select month from site_months order by month").fetchall()]
    months = [Month(*map(int, name.split("-"))) for name in known]
    # of older months only what a chart, a restated figure or a hidden cell rests on
    wanted = (*CHARTED, "fleet_coverage", *(SHARED if share else ()), *(TIED if share else ()))
    near = months[-NEAR:]
    kept = {name: rows.facts for name, rows in earlier.recalled.items() if rows.facts is not None}
    facts = Facts(con, kept, ("fleet_coverage",))
    every = tabulate(con, site, months, ("care_area",), wanted, near, facts).to_pylist()
    facility = tabulate(con, site, months, (), wanted, near, facts).to_pylist()
    here = _still_there(site, month, every)
    given = [row for row in every if row["care_area"] in here]
    page = compose(con, site, month, made_from, given, facts)
    if share:
        # While all areas are there: one that is left out would be told by what the others leave of the total.
        earlier, every, facility = _hidden(earlier, every, facility, read_hours_behind(con))
        # the last one is of the internal form
        page = page.model_copy(update={"cautions": (*page.cautions[:-1], SHARED_CAUTION)})
    if earlier.past is not None:
        earlier.past.keep_shown(con, site, months, facts)
    earlier = replace(earlier, by_area=tuple(row for row in earlier.by_area if row["care_area"] in here))
    by_area = tuple(row for row in every if row["care_area"] in here)
    return Material(
        con=con, site=site, month=month, page=page, facts=facts,
        months=tuple(known), states=month_states(con, site), by_area=by_area, facility=tuple(facility),
        tables=read_lists(con),
        cases=read_cases(con, site, [rows.cases for rows in earlier.recalled.values()]),
        earlier=earlier, anew=read_anew(con, site), share=share,
    )  # fmt: skip


def _hidden(
    earlier: Earlier, by_area: list[Row], facility: list[Row], behind: Mapping[str, HoursBehind]
) -> tuple[Earlier, list[Row], list[Row]]:
    """Hide what is small, in the months that the charts rest on as well: what is hidden makes no limit."""
    areas, whole = hide_small(
        (*earlier.by_area, *by_area), (*earlier.facility, *facility), {**earlier.behind, **behind}
    )
    gone = set(earlier.months)

    def early(rows: list[Row]) -> tuple[Row, ...]:
        return tuple(row for row in rows if row["month"] in gone)

    def late(rows: list[Row]) -> list[Row]:
        return [row for row in rows if row["month"] not in gone]

    return replace(earlier, by_area=early(areas), facility=early(whole)), late(areas), late(whole)


def _still_there(site: Site, month: Month, rows: list[Row]) -> set[str]:
    """Return all areas but those that neither the site declares nor the month or the one before has."""
    near = (str(month), str(month.plus(-1)))
    rows = [row for row in rows if ROWS[row["measure"]][0].built]
    have = {"", *site.settings.care_areas}
    have |= {
        r["care_area"]
        for r in rows
        if r["month"] in near and r["status"] not in ("no_data", "not_measurable")
    }
    return have | {r["care_area"] for r in rows if r["month"] == near[0] and r["status"] == "not_measurable"}
