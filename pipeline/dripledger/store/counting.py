"""Which events count where several sources report the same pump: SQL for whoever reads `events` itself."""

from __future__ import annotations

from collections.abc import Sequence

from dripledger.schema import TABLES
from dripledger.site import SourceRule
from dripledger.store.snapshot import quoted


def counts_sql(rules: Sequence[SourceRule], alias: str = "e") -> str:
    """Return SQL that is true for an event whose source counts for its pump and kind.

    Parameters
    ----------
    rules
        The site's rules; the first that applies to a pump and kind decides. Where none does, every source
        counts.
    alias
        Name of the relation with `source_name`, `pump_id` and `kind`.
    """
    cases = []
    for rule in rules:
        tests = [
            f"{alias}.{column} in ({', '.join(quoted(v) for v in values)})"
            for column, values in (("pump_id", rule.pumps), ("kind", rule.kinds))
            if values
        ]
        cases.append(f"when {' and '.join(tests) or 'true'} then {alias}.source_name = {quoted(rule.counts)}")
    return f"case {' '.join(cases)} else true end" if cases else "true"


def counting_events(rules: Sequence[SourceRule], events: str) -> str:
    """Return the SELECT of the events that count."""
    return f"select e.* from {events} e where {counts_sql(rules)}"


def other_events(rules: Sequence[SourceRule], events: str) -> str:
    """Return the SELECT of the events that do not count: another source's word stands for theirs."""
    return f"select e.* from {events} e where not ({counts_sql(rules)})"


def seen_numbers(rules: Sequence[SourceRule], events: str, ignored: str) -> str:
    """Return the SELECT of `ignored` with the numbers of evidence: its records were not lost either."""
    special = {"reason": "'another source counts'"}
    columns = ", ".join(f'{special.get(c, f"e.{c}")} as "{c}"' for c in TABLES["ignored"].names)
    own = ", ".join(f'"{c}"' for c in TABLES["ignored"].names)
    return (
        f"select {own} from {ignored} union all select {columns} from {events} e "
        f"where e.sequence is not null and not ({counts_sql(rules)})"
    )
