"""Which pumps are read whole because of their counter: by it, a part of their log need not be as all of it.

The order of a pump's events follows from its numbers (ruling 47). From a moment on it is that of the whole
log where no number comes before the moment that is as high as one after it, none stands there at two
instants, and nothing of before belongs after the run of numbers that goes on over it.

A year of numbers costs one grouping: which of 64 neighbours are there is one word of bits, so that gaps and
repeats of all history are known without sorting it. Only where a run may have begun are numbers put in order.
"""

from __future__ import annotations

from typing import Final

import duckdb

__all__ = ["leave_out", "leave_out_other_orders"]

#: Part of the log in which a run of numbers is looked for at once; gaps that are nearer than that are sorted.
_STRETCH_US: Final = 30 * 86_400_000_000
_PUMP: Final = "facility, pump_id"


def leave_out(con: duckdb.DuckDBPyConnection, pumps: str) -> None:
    """Take the pumps of a query out of `resume_found`: they are read whole."""
    con.execute(f"delete from resume_found where ({_PUMP}) in (select ({_PUMP}) from ({pumps}))")


def leave_out_other_orders(con: duckdb.DuckDBPyConnection, horizon: str) -> None:
    """Leave in `resume_found` only pumps of which the numbers since `read_from` stand as in the whole log.

    Parameters
    ----------
    con
        Connection with `resume_found` (`read_from`, `check_from`, `replace_from` of each pump), `events` and
        `ignored`.
    horizon
        SQL of the instant since which a number at two instants is a doubt wherever it stands.
    """
    con.execute("create or replace temp view resume_numbers as " + " union all ".join(
        f"select {_PUMP}, n.occurred_at, n.sequence, "
        "case when n.occurred_at < f.read_from then 0 when n.occurred_at < f.check_from then 1 "
        "when n.occurred_at < f.replace_from then 2 when n.occurred_at >= f.replace_from then 3 end as part, "
        f"epoch_us(n.occurred_at) // {_STRETCH_US} as stretch from {name} n "
        f"inner join resume_found f using ({_PUMP}) where n.sequence_reliable and n.sequence is not null"
        for name in ("events", "ignored")
    ))  # fmt: skip
    con.execute(
        f"create or replace temp table resume_words as select {_PUMP}, part, stretch, sequence >> 6 as word, "
        "count(*) as numbers, bit_or(1::ubigint << (sequence & 63)) as bits, "
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
    _leave_out_repeats(con, horizon)
    _leave_out_run_before(con)
    con.execute("drop view resume_numbers")
    con.execute("drop table resume_words")


def _leave_out_repeats(con: duckdb.DuckDBPyConnection, horizon: str) -> None:
    """Leave out pumps of which a number stands at two instants since the horizon."""
    lately = f"(part > 0 or stretch >= epoch_us({horizon}) // {_STRETCH_US})"
    repeated = (
        f"select {_PUMP} from (select {_PUMP}, sum(numbers) > bit_count(bit_or(bits)) as more "
        f"from resume_words where {lately} group by {_PUMP}, word) where more"
    )
    if con.execute(f"{repeated} limit 1").fetchall():
        leave_out(
            con,
            f"select {_PUMP} from resume_numbers semi join ({repeated}) using ({_PUMP}) where {lately} "
            f"group by {_PUMP}, sequence having count(distinct occurred_at) > 1",
        )


def _leave_out_run_before(con: duckdb.DuckDBPyConnection) -> None:
    """Leave out pumps of which numbers before `read_from` belong after the run that goes on over it.

    Runs of numbers stand in order of their first instant: what bears lower numbers, and later times than this
    run began with, stands after all of it, as where a clock ran ahead and a number is lost. The run began in
    the last stretch that has a gap, or does not go on from the one before it. What lies before that stretch
    is earlier than the run, and harmless where its numbers are lower than those of the stretch; where they
    are not, all of them are put in order.
    """
    con.execute(
        f"create or replace temp table resume_begun as select {_PUMP}, max(stretch) as stretch, "
        "arg_max(is_whole, stretch) as is_whole, "
        "coalesce(arg_max(lowest <= highest_before, stretch), false) as goes_back "
        "from (select *, lag(highest) over in_pump as just_before, "
        "max(highest) over (in_pump rows between unbounded preceding and 1 preceding) as highest_before "
        f"from (select {_PUMP}, stretch, min(lowest) as lowest, max(highest) as highest, "
        "sum(numbers) = sum(bit_count(bits)) and sum(numbers) = max(highest) - min(lowest) + 1 as is_whole "
        f"from resume_words where part = 0 group by {_PUMP}, stretch) "
        f"window in_pump as (partition by {_PUMP} order by stretch)) "
        f"where not is_whole or lowest is distinct from just_before + 1 group by {_PUMP}"
    )
    con.execute("delete from resume_begun where is_whole and not goes_back")
    if con.execute("select 1 from resume_begun limit 1").fetchall():
        leave_out(
            con,
            f"select {_PUMP} from (select {_PUMP}, sequence, occurred_at, "
            "coalesce(sequence > lag(sequence) over lower + 1, true) as begins, "
            "coalesce(sequence = lag(sequence) over lower and occurred_at <> lag(occurred_at) over lower, "
            "false) as repeats, "
            "max(occurred_at) over (lower rows between unbounded preceding and 1 preceding) as lower_at "
            f"from resume_numbers n inner join resume_begun b using ({_PUMP}) "
            "where part = 0 and (b.goes_back or n.stretch = b.stretch) "
            f"window lower as (partition by {_PUMP} order by sequence, occurred_at)) group by {_PUMP} "
            "having bool_or(repeats) or arg_max(lower_at, sequence) filter (begins) > "
            "arg_max(occurred_at, sequence) filter (begins)",
        )
    con.execute("drop table resume_begun")
