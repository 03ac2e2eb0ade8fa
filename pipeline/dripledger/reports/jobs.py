"""What a month needs a person for: each with its count, what it is, and what to do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import duckdb

from dripledger.measures import MonthState
from dripledger.reports.model import Job
from dripledger.reports.quality import waiting_without_month
from dripledger.reports.words import as_words, plural, shorten, whole

_Row = tuple[Any, ...]


def jobs(
    con: duckdb.DuckDBPyConnection,
    month: str,
    state: MonthState,
    rows: Sequence[dict[str, Any]],
    empty: bool = False,
) -> tuple[Job, ...]:
    """List what waits for a person in one month.

    Parameters
    ----------
    con
        Connection with the relations of measures and reports.
    month
        The month, ``YYYY-MM``.
    state
        Whether it is provisional.
    rows
        The month's rows of the table of measures, by care area.
    empty
        Whether the ledger holds nothing of the month.
    """
    found = list(_jobs(con, month, state, rows))
    if empty:
        found.insert(0, _job(0, "", "events of this month are in the ledger", _NOTHING))
    return tuple(found)


_NOTHING = "Find out whether the logs were never exported, or lie where no ingest has read them."


def _jobs(
    con: duckdb.DuckDBPyConnection, month: str, state: MonthState, rows: Sequence[dict[str, Any]]
) -> Iterator[Job]:
    if state.provisional:
        late = state.in_service - state.heard_after
        yield _job(
            late,
            "pump has not been heard since the month ended",
            "pumps have not been heard since the month ended",
            f"Fetch {plural(late, 'its export', 'their exports')}; until then the figures can still move.",
        )
    yield from _pumps(con, month)
    yield from _waiting(con, month)
    yield from _labels(con, month)
    yield from _gaps(con, month)
    yield from _implausible(con, month)
    yield from _unknown(con, month, rows)


def _read(con: duckdb.DuckDBPyConnection, select: str, month: str) -> list[_Row]:
    return con.execute(select, [month]).fetchall()


def _job(count: int, one: str, many: str, how: str, names: Sequence[str] = ()) -> Job:
    first, more = shorten(names)
    return Job(count=whole(count), what=plural(count, one, many), how=how, names=first, more=more)


def _pumps(con: duckdb.DuckDBPyConnection, month: str) -> Iterator[Job]:
    found = _read(
        con, "select what, pump_id from report_silent_pumps where month = ? order by what, pump_id", month
    )
    silent = [pump for what, pump in found if what == "silent"]
    if silent:
        yield _job(
            len(silent),
            "pump in service sent no log",
            "pumps in service sent no log",
            plural(
                len(silent),
                "Find out whether it stood unused, or its logs are missing.",
                "Find out whether they stood unused, or their logs are missing.",
            ),
            silent,
        )
    strange = [pump for what, pump in found if what == "not_listed"]
    if strange and _read(con, "select count(*) from pumps_in_service where month = ?", month)[0][0]:
        yield _job(
            len(strange),
            "pump sent a log and is not in service by pumps.csv",
            "pumps sent a log and are not in service by pumps.csv",
            plural(
                len(strange),
                "Add it to pumps.csv, or mend its dates.",
                "Add them to pumps.csv, or mend their dates.",
            ),
            strange,
        )


def _waiting(con: duckdb.DuckDBPyConnection, month: str) -> Iterator[Job]:
    count = sum(r[0] for r in _read(con, "select records from report_waiting_records where month = ?", month))
    reasons = _read(
        con,
        "select reason, records from report_waiting_reasons where month = ? order by records desc, reason",
        month,
    )
    if count:
        several = " A record can have several reasons." if sum(n for _, n in reasons) > count else ""
        yield _job(
            count,
            "record of the month waits in quarantine",
            "records of the month wait in quarantine",
            "'dripledger quarantine --reason ...' lists those of every month. Mend the mapping, then read "
            f"{plural(count, 'it', 'them')} again with --retry.{several}",
            [f"{as_words(reason)} ({whole(n)})" for reason, n in reasons],
        )
    if untold := waiting_without_month(con):
        yield _job(
            untold,
            "record waits in quarantine whose month cannot be told",
            "records wait in quarantine whose month cannot be told",
            f"No month's figures count {plural(untold, 'it', 'them')}. See 'dripledger quarantine'.",
        )


def _labels(con: duckdb.DuckDBPyConnection, month: str) -> Iterator[Job]:
    found = _read(
        con,
        "select word, label, events from report_unmapped_labels where month = ?"
        " order by events desc, word, label",
        month,
    )
    if found:
        events = sum(row[2] for row in found)
        yield _job(
            len(found),
            f"label is not filed ({whole(events)} {plural(events, 'event')})",
            f"labels are not filed ({whole(events)} {plural(events, 'event')})",
            f"Say what {plural(len(found), 'it means', 'each means')}: kinds and alarms in the mapping, care "
            "areas in site.toml, entries in entries.csv.",
            [f"{word}: {label} ({whole(n)})" for word, label, n in found],
        )


def _gaps(con: duckdb.DuckDBPyConnection, month: str) -> Iterator[Job]:
    found = _read(
        con,
        "select pump_id, holes, missing from report_number_gaps where month = ?"
        " order by missing desc, pump_id, source",
        month,
    )
    if found:
        missing = sum(row[2] for row in found)
        pumps = len({row[0] for row in found})
        where = f", on {whole(pumps)} {plural(pumps, 'pump')}"
        perhaps = min(missing, _without_number(con, month))
        again = "Export the stretch again while the pump still holds it."
        if perhaps:
            where = f" or {plural(missing, 'waits', 'wait')} unread{where}"
            one = "It" if missing == 1 else f"{whole(perhaps)} of them"
            rest = "If it is not there, export" if missing == perhaps else "Export"
            again = (
                f"{one} may be in quarantine, where a pump or number cannot be read: see "
                f"'dripledger quarantine'. {rest} the stretch again while the pump still holds it."
            )
        yield _job(
            missing,
            f"numbered record is missing{where}",
            f"numbered records are missing{where}",
            again,
            [f"{pump} ({whole(n)})" for pump, _, n in found],
        )


def _without_number(con: duckdb.DuckDBPyConnection, month: str) -> int:
    """Return how many waiting records may be of a pump and source with missing numbers, yet tell none."""
    found = _read(
        con,
        "select cast(count(*) as bigint) from quarantine_months as q where q.month = $1"
        " and (q.pump_id is null or q.sequence is null) and exists (select 1 from report_number_gaps as g"
        " where g.month = $1 and g.source = q.source and coalesce(g.pump_id = q.pump_id, true))",
        month,
    )
    return int(found[0][0])


def _implausible(con: duckdb.DuckDBPyConnection, month: str) -> Iterator[Job]:
    found = _read(
        con,
        "select words, cast(count(*) as bigint) as events from report_implausible_events where month = ?"
        " group by words order by events desc, words",
        month,
    )
    if found:
        count = _read(con, "select cast(sum(implausible) as bigint) from pump_months where month = ?", month)[
            0
        ][0]
        yield _job(
            count,
            "event is readable and implausible",
            "events are readable and implausible",
            f"{plural(count, 'It is', 'They are')} kept and counted, and listed below. A slip at the pump, "
            "or a fault in the log?",
            [f"{flag} ({whole(n)})" for flag, n in found],
        )


def _unknown(con: duckdb.DuckDBPyConnection, month: str, rows: Sequence[dict[str, Any]]) -> Iterator[Job]:
    for measure, relation, one, many, how in (
        (
            "library_use_starts",
            "library_use_starts",
            "start does not say whether the library was used",
            "starts do not say whether the library was used",
            "out of library use. See whether the mapping can tell it.",
        ),
        (
            "protected_share",
            "protected_share",
            "start ran on a library, entry or concentration that no library file holds",
            "starts ran on a library, entry or concentration that no library file holds",
            "out of the protected share. Put the missing versions into libraries/.",
        ),
    ):
        if any(row["measure"] == measure for row in rows):
            found = _read(
                con, f"select cast(sum(left_out_unknown) as bigint) from {relation} where month = ?", month
            )
            count = found[0][0] or 0
            if count:
                yield _job(count, one, many, f"{plural(count, 'It is', 'They are')} left {how}")
