"""`library replay`: recorded values held against a proposed library.

It says which limit alerts would fall away, which would be new, and which infusions would not have run. It
does not say what a limit should be, and it cannot know what a warned person would have done.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import duckdb
import pyarrow as pa

from dripledger.dosing import ASKED
from dripledger.engine import build_relations
from dripledger.library.relations import build, fetch, put_rows
from dripledger.library.rows import LimitRow

#: What a replay can and cannot say; printed with every one.
REPLAY_CAUTIONS: Final = (
    "A replay looks back: for quality improvement, not for decisions at the bedside, and no advice on a dose "
    "or a limit. Limits are set by the organisation's pharmacists and licensed clinicians under its policy "
    "and local law.",
    "It cannot know what people would have done: somebody who is warned may act differently, and so may "
    "somebody who no longer is.",
    "New alerts are a lower bound wherever a limit is tightened: a value that was typed and taken back "
    "without a warning was never logged.",
    "What falls away is a warning less, whether it was noise or not: see how many of them were then brought "
    "within limits.",
    "Centiles are facts about the past. Past use includes errors and is no proposal.",
    "Limits on the change of rate and on weight are replayed only where the pump warned: a confirmed "
    "programme does not tell them. A weight that is entered while an infusion runs is no value here, unless "
    "a dose was told with it: what it makes of a dose per kilogram is not replayed.",
)


@dataclass(frozen=True)
class Replay:
    """What a replay found: one table each, in a fixed order of rows."""

    summary: pa.Table
    cases: pa.Table
    not_comparable: pa.Table
    centiles: pa.Table
    compared: pa.Table


def replay(con: duckdb.DuckDBPyConnection, rows: Sequence[LimitRow], *, by_version: bool = False) -> Replay:
    """Hold recorded values against a library.

    Parameters
    ----------
    con
        Connection in which `relations.prepare` ran.
    rows
        The proposed library.
    by_version
        Whether each row holds only for what ran its own version: then the libraries that were in force are
        replayed, and what comes back should be what was logged.

    Returns
    -------
    Replay
        `summary` by care area and entry (counts of limit alerts), `cases` (each alert that falls away or is
        new, each infusion that would have been blocked), `not_comparable` with the reasons, `centiles` of
        confirmed values (in `unit`), and `compared`: each recorded value with its verdict.
    """
    judge(con, rows, by_version=by_version)
    build_relations(con, "replay")
    return Replay(
        summary=fetch(con, "replay_summary"),
        cases=fetch(con, "replay_cases"),
        not_comparable=fetch(con, "replay_reasons"),
        centiles=_centiles(con),
        compared=con.sql("select * from replay_compared order by value_key").to_arrow_table(),
    )


def judge(con: duckdb.DuckDBPyConnection, rows: Sequence[LimitRow], *, by_version: bool = False) -> None:
    """Make ``replay_answers``: each recorded value in the unit of each row that it may fall under."""
    put_rows(con, "proposed_rows", rows, by_version=by_version)
    build(con, "replay_asked")
    columns = ", ".join(ASKED.names)
    con.execute(f"create or replace temp view dosing_asked as select {columns} from replay_asked")
    build_relations(con, "dosing")
    con.execute(
        "create or replace temp table replay_answers as"
        " select a.value_key, a.row_no, coalesce(a.plain_value, r.value) as value"
        " from replay_asked as a left join dosing_results as r on a.asked_id = r.asked_id"
    )


def _centiles(con: duckdb.DuckDBPyConnection) -> pa.Table:
    return con.sql(
        "select c.care_area, c.entry, r.concentration, c.limit_quantity as quantity, r.weights,"
        " c.limit_unit as unit, c.n, c.lowest, c.p05, c.p25, c.p50, c.p75, c.p90, c.p95, c.p99, c.highest,"
        " r.hard_low, r.soft_low, r.soft_high, r.hard_high"
        " from replay_centiles as c inner join proposed_rows as r on c.row_no = r.row_no"
        " order by c.care_area, c.entry, r.concentration, quantity, r.weights, c.row_no"
    ).to_arrow_table()
