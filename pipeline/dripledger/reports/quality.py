"""What reached the ledger: the balance, the data quality of the month, and what library use leaves out."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import duckdb

from dripledger.measures import MEASURES, Facts, Month, tabulate
from dripledger.reports import words
from dripledger.reports.figures import figure
from dripledger.reports.model import BalanceRow, Figure, QualityRow
from dripledger.reports.texts import KIND_WORDS
from dripledger.site import Site

#: The measures of data quality, in the order of their columns.
QUALITY = (
    "log_completeness",
    "quarantine_share",
    "unmapped_share",
    "clock_corrected_share",
    "uncertain_share",
)

_US_PER_HOUR = 3_600_000_000


def balance(con: duckdb.DuckDBPyConnection) -> tuple[BalanceRow, ...]:
    """Return the ledger balance by source, and in total where there are several."""
    found = con.execute(
        "select source, files, rows_read, events_kept, duplicates, quarantined, rows_ignored"
        " from report_balance order by source"
    ).fetchall()
    rows = list(found)
    if len(rows) > 1:
        rows.append(("in total", *(sum(row[i] for row in found) for i in range(1, 7))))
    return tuple(
        BalanceRow(
            source=row[0],
            files=words.whole(row[1]),
            read=words.whole(row[2]),
            kept=words.whole(row[3]),
            duplicates=words.whole(row[4]),
            waiting=words.whole(row[5]),
            ignored=words.whole(row[6]),
            balanced=row[2] == sum(row[3:7]),
        )
        for row in rows
    )


def quality(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    month: Month,
    decimal: str,
    hide: str,
    facts: Facts | None = None,
) -> tuple[QualityRow, ...]:
    """Return the measures of data quality by source."""
    table: dict[str, dict[str, Figure]] = defaultdict(dict)
    for row in tabulate(con, site, [month], ("source",), read=facts).to_pylist():
        if row["measure"] in QUALITY and row["source"]:
            table[row["source"]][row["measure"]] = figure(row, decimal, hide)
    nothing = Figure(status="no_data")
    return tuple(
        QualityRow(source=source, figures=tuple(found.get(m, nothing) for m in QUALITY))
        for source, found in sorted(table.items())
    )


def waiting_without_month(con: duckdb.DuckDBPyConnection) -> int:
    """Count the records in quarantine whose month nobody can tell; that of months not asked for can be."""
    found = con.execute("select count(*) from quarantine_months where occurred_at is null").fetchall()
    return int(found[0][0])


def left_out(con: duckdb.DuckDBPyConnection, month: str, decimal: str) -> tuple[str, ...]:
    """Say in sentences how much library use leaves out, and why; nothing where it leaves out nothing."""
    starts = _sums(con, "library_use_starts", ("denominator", "left_out_unknown", "left_out_unable"), month)
    hours = _sums(con, "library_use_hours", ("whole_us", "left_out_unknown_us", "left_out_unable_us"), month)
    needs = " and ".join(KIND_WORDS[kind] for kind in MEASURES["library_use_starts"].needs)
    reasons = (
        "Their logs do not say whether the library was used. Where a log does say it, map it: library_use in "
        "the mapping's [fields], its words in [values.library_use].",
        f"Their sources do not record {needs}, by the mapping's records.",
    )
    sentences = []
    for place, why in enumerate(reasons, start=1):
        parts = []
        if starts[place]:
            noun = words.plural(sum(starts), "start")
            count = f"{words.whole(starts[place])} of {words.whole(sum(starts))} {noun}"
            parts.append(f"{count} ({words.percent(starts[place] / sum(starts), decimal)})")
        if hours[place]:
            size, whole = (
                f"{us / _US_PER_HOUR:.1f}".replace(".", decimal) for us in (hours[place], sum(hours))
            )
            share = words.percent(hours[place] / sum(hours), decimal)
            parts.append(f"{size} of {whole} running hours ({share})")
        if parts:
            sentences.append(f"Left out of library use: {' and '.join(parts)}. {why}")
    return tuple(sentences)


def _sums(
    con: duckdb.DuckDBPyConnection, relation: str, columns: tuple[str, ...], month: str
) -> tuple[int, ...]:
    sums = ", ".join(f"coalesce(cast(sum({name}) as bigint), 0)" for name in columns)
    found: tuple[Any, ...] = con.execute(
        f"select {sums} from {relation} where month = ?", [month]
    ).fetchall()[0]
    return tuple(int(value) for value in found)
