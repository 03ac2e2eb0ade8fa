"""Pumps whose counter makes it necessary to read their whole log.

The order of a pump's events follows from the runs of its numbers, and runs stand in order of the instant of
their first number (ruling 47). What is read from a moment on stands as in the whole log, and what is new
moves nothing of before what is replaced, where

- no number before one of the three moments is as high as one after it;
- no number stands at two instants: the counter was not reset;
- nothing stands after the run that goes on over the moment, or over the one from which rows are replaced:
  nothing is lower than that run, and later than its first number;
- nothing that is read overtakes the run that goes on over the moment, whose first number is not read.

Years of numbers cost one grouping: which of 64 neighbours are there is one word of bits, so that gaps and
repeats of all history are known without sorting it. Only where a run may have begun are numbers put in order.
"""

from __future__ import annotations

from typing import Final

import duckdb

__all__ = ["leave_out", "leave_out_other_orders"]

#: Numbers are grouped by stretches of that length; those of one in which a run may have begun are sorted.
_STRETCH_US: Final = 30 * 86_400_000_000
_PUMP: Final = "facility, pump_id"


def leave_out(con: duckdb.DuckDBPyConnection, pumps: str) -> None:
    """Take the pumps of a query out of `resume_found`: they are read whole."""
    con.execute(f"delete from resume_found where ({_PUMP}) in (select ({_PUMP}) from ({pumps}))")


def leave_out_other_orders(con: duckdb.DuckDBPyConnection) -> None:
    """Leave in `resume_found` only pumps of which the events since `read_from` stand as in the whole log.

    Parameters
    ----------
    con
        Connection with `resume_found` (`read_from`, `check_from`, `replace_from` of each pump), `events` and
        `ignored`.
    """
    con.execute("create or replace temp view resume_numbers as " + " union all ".join(
        f"select {_PUMP}, n.occurred_at, n.sequence, n.sequence >> 6 as word, "
        "case when n.occurred_at < f.read_from then 0 when n.occurred_at < f.check_from then 1 "
        "when n.occurred_at < f.replace_from then 2 when n.occurred_at >= f.replace_from then 3 end as part, "
        f"epoch_us(n.occurred_at) // {_STRETCH_US} as stretch from {name} n "
        f"inner join resume_found f using ({_PUMP}) where n.sequence_reliable and n.sequence is not null"
        for name in ("events", "ignored")
    ))  # fmt: skip
    con.execute(
        f"create or replace temp table resume_words as select {_PUMP}, part, stretch, word, "
        "count(*) as numbers, bit_or(1::ubigint << cast(sequence & 63 as ubigint)) as bits, "
        "min(sequence) as lowest, max(sequence) as highest "
        f"from resume_numbers group by {_PUMP}, part, stretch, word"
    )
    goes_back = " or ".join(
        f"max(highest) filter (part < {part}) >= min(lowest) filter (part >= {part})" for part in (1, 2, 3)
    )
    leave_out(
        con,
        f"select {_PUMP} from resume_words group by {_PUMP} having {goes_back} or bool_or(part is null)",
    )
    _leave_out_repeats(con)
    _leave_out_later_before(con)
    _leave_out_later_since(con)
    _leave_out_overtaken(con)
    con.execute("drop view resume_numbers")
    con.execute("drop table resume_words")


def _leave_out_repeats(con: duckdb.DuckDBPyConnection) -> None:
    """Leave out pumps of which a number stands at two instants."""
    doubled = (
        f"select {_PUMP}, word from (select {_PUMP}, word, sum(numbers) > bit_count(bit_or(bits)) as more "
        f"from resume_words group by {_PUMP}, word) where more"
    )
    if con.execute(f"{doubled} limit 1").fetchall():
        # several events of one record, or what two sources tell, stand at one instant
        leave_out(
            con,
            f"select {_PUMP} from resume_numbers semi join ({doubled}) using ({_PUMP}, word) "
            f"group by {_PUMP}, sequence having min(occurred_at) < max(occurred_at)",
        )


def _leave_out_later_before(con: duckdb.DuckDBPyConnection) -> None:
    """Leave out pumps of which a number before is lower than the run that goes on, and later than its first.

    So it is where a clock ran ahead and a number is lost. The run holds all stretches after the last one
    that has a gap, or does not go on from the one before it. It began there, after the last gap or, without
    one, with the lowest number. What lies in older stretches is earlier, and harmless unless it comes up to
    the numbers of this one (`is_unknown`): then the run may have begun anywhere, and all numbers of that pump
    are put in order. `resume_begun` names the pumps of which any are to be.
    """
    con.execute(
        f"create or replace temp table resume_begun as select {_PUMP}, max(stretch) as stretch, coalesce("
        "arg_max(highest_before >= lowest or (highest_before = lowest - 1 and not has_gap), stretch), false) "
        "as is_unknown from (select *, lag(highest) over in_pump as just_before, "
        "max(highest) over (in_pump rows between unbounded preceding and 1 preceding) as highest_before "
        f"from (select {_PUMP}, stretch, min(lowest) as lowest, max(highest) as highest, "
        "sum(bit_count(bits)) <= max(highest) - min(lowest) as has_gap "
        f"from resume_words where part = 0 group by {_PUMP}, stretch) "
        f"window in_pump as (partition by {_PUMP} order by stretch)) "
        f"where has_gap or just_before is distinct from lowest - 1 group by {_PUMP} "
        "having is_unknown or arg_max(has_gap, stretch)"
    )
    _leave_out_later(con, "resume_begun", "part = 0 and (b.is_unknown or n.stretch = b.stretch)")
    con.execute("drop table resume_begun")


def _leave_out_later_since(con: duckdb.DuckDBPyConnection) -> None:
    """Leave out pumps of which the same is so where rows are replaced from.

    What is new would go on from a run before, and so move what stands after that run: rows that are neither
    replaced nor compared. Without a gap since `read_from` all of it is one run.
    """
    con.execute(
        f"create or replace temp table resume_gaps as select {_PUMP} from (select {_PUMP}, word, "
        "bit_count(bit_or(bits)) as numbers, min(lowest) as lowest, max(highest) as highest "
        f"from resume_words where part in (1, 2) group by {_PUMP}, word) group by {_PUMP} "
        "having sum(numbers) <= max(highest) - min(lowest)"
    )
    _leave_out_later(con, "resume_gaps", "part in (1, 2)")
    con.execute("drop table resume_gaps")


def _leave_out_later(con: duckdb.DuckDBPyConnection, pumps: str, numbers: str) -> None:
    """Leave out pumps of which one of these numbers is lower than the last run, and later than its first."""
    if not con.execute(f"select 1 from {pumps} limit 1").fetchall():
        return
    leave_out(
        con,
        f"select {_PUMP} from (select {_PUMP}, sequence, occurred_at, "
        "coalesce(sequence > lag(sequence) over lower + 1, true) as begins, "
        "max(occurred_at) over (lower rows between unbounded preceding and 1 preceding) as lower_at "
        f"from resume_numbers n inner join {pumps} b using ({_PUMP}) where {numbers} "
        f"window lower as (partition by {_PUMP} order by sequence, occurred_at)) group by {_PUMP} "
        "having arg_max(lower_at, sequence) filter (begins) > arg_max(occurred_at, sequence) filter (begins)",
    )


def _leave_out_overtaken(con: duckdb.DuckDBPyConnection) -> None:
    """Leave out pumps of which the lowest number since `read_from` is not the first in time.

    It is the first that is read of the run that goes on, which begins in time with one that is not read:
    another run could come before it.
    """
    leave_out(
        con,
        f"select {_PUMP} from resume_numbers where part > 0 group by {_PUMP} "
        "having arg_min(occurred_at, sequence) > min(occurred_at)",
    )
