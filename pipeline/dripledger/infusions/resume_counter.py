"""Pumps whose counter makes it necessary to read their whole log.

The order of a pump's events follows from the runs of its numbers, and runs stand in order of the instant of
their first number (ruling 47). What is read from a moment on stands as in the whole log where

- no number before the moment is as high as one after it;
- no number stands at two instants in what is read, nor in the run that goes on over the moment;
- nothing of before stands after that run: nothing is lower than it, and later than its first number;
- nothing that is read overtakes that run, whose first number is not read.

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


def leave_out_other_orders(con: duckdb.DuckDBPyConnection, horizon: str) -> None:
    """Leave in `resume_found` only pumps of which the events since `read_from` stand as in the whole log.

    Parameters
    ----------
    con
        Connection with `resume_found` (`read_from`, `check_from`, `replace_from` of each pump), `events` and
        `ignored`.
    horizon
        SQL of an instant: a number at two instants is a doubt wherever it stands since then, or up to a
        month before.
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
    _find_begun(con)
    _leave_out_repeats(con, horizon)
    _leave_out_later_before(con)
    _leave_out_overtaken(con)
    con.execute("drop view resume_numbers")
    con.execute("drop table resume_words")
    con.execute("drop table resume_begun")


def _find_begun(con: duckdb.DuckDBPyConnection) -> None:
    """Make `resume_begun`: the stretch in which the run began that ends with the highest number before.

    It is the last one that has a gap, or does not go on from the one before it; the run holds all of the
    stretches after it. `has_gap`: it began after the last gap, else with the lowest number of the stretch.
    `is_unknown`: numbers of older stretches reach into this one, so that it may have begun elsewhere.
    """
    con.execute(
        f"create or replace temp table resume_begun as select {_PUMP}, max(stretch) as stretch, "
        "arg_max(has_gap, stretch) as has_gap, coalesce(arg_max("
        "highest_before >= lowest or (highest_before = lowest - 1 and not has_gap), stretch), false) "
        "as is_unknown from (select *, lag(highest) over in_pump as just_before, "
        "max(highest) over (in_pump rows between unbounded preceding and 1 preceding) as highest_before "
        f"from (select {_PUMP}, stretch, min(lowest) as lowest, max(highest) as highest, "
        "sum(bit_count(bits)) <= max(highest) - min(lowest) as has_gap "
        f"from resume_words where part = 0 group by {_PUMP}, stretch) "
        f"window in_pump as (partition by {_PUMP} order by stretch)) "
        f"where has_gap or just_before is distinct from lowest - 1 group by {_PUMP}"
    )


def _leave_out_repeats(con: duckdb.DuckDBPyConnection, horizon: str) -> None:
    """Leave out pumps of which a number stands at two instants since the horizon or since the run began."""
    # of a pump without a number before there is no run that goes on, and `least` passes over null
    told = (
        f"w left join resume_begun b using ({_PUMP}) "
        f"where part > 0 or w.stretch >= least(epoch_us({horizon}) // {_STRETCH_US}, b.stretch)"
    )
    doubled = (
        f"select {_PUMP}, word from (select {_PUMP}, word, sum(numbers) > bit_count(bit_or(bits)) as more "
        f"from resume_words {told} group by {_PUMP}, word) where more"
    )
    if con.execute(f"{doubled} limit 1").fetchall():
        # several events of one record stand at one instant
        leave_out(
            con,
            f"select {_PUMP} from (select {_PUMP}, word, sequence, occurred_at from resume_numbers {told}) "
            f"semi join ({doubled}) using ({_PUMP}, word) "
            f"group by {_PUMP}, sequence having min(occurred_at) < max(occurred_at)",
        )


def _leave_out_later_before(con: duckdb.DuckDBPyConnection) -> None:
    """Leave out pumps of which a number before is lower than the run that goes on, and later than its first.

    So it is where a clock ran ahead and a number is lost. What lies in stretches before the one in which the
    run began is earlier.
    """
    if not con.execute("select 1 from resume_begun where has_gap or is_unknown limit 1").fetchall():
        return
    leave_out(
        con,
        f"select {_PUMP} from (select {_PUMP}, sequence, occurred_at, "
        "coalesce(sequence > lag(sequence) over lower + 1, true) as begins, "
        "coalesce(sequence = lag(sequence) over lower and occurred_at <> lag(occurred_at) over lower, false) "
        "as repeats, "
        "max(occurred_at) over (lower rows between unbounded preceding and 1 preceding) as lower_at "
        f"from resume_numbers n inner join resume_begun b using ({_PUMP}) "
        "where part = 0 and (b.is_unknown or (b.has_gap and n.stretch = b.stretch)) "
        f"window lower as (partition by {_PUMP} order by sequence, occurred_at)) group by {_PUMP} "
        "having bool_or(repeats) or arg_max(lower_at, sequence) filter (begins) > "
        "arg_max(occurred_at, sequence) filter (begins)",
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
