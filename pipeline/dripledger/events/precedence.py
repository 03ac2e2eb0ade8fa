"""Which source counts where several report the same pump: events of the others stay as evidence only."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from dripledger.errors import ConfigurationError
from dripledger.schema import EVENT_KINDS, TABLES
from dripledger.site import Site, SourceRule
from dripledger.sources.staging import quoted


def check_precedence(site: Site, sources: Collection[str]) -> None:
    """Refuse a rule that names a source without a mapping, or a kind that does not exist.

    Raises
    ------
    ConfigurationError
        If a rule does.
    """
    for number, rule in enumerate(site.settings.precedence, start=1):
        where = f"{site.root / 'site.toml'}, precedence {number}"
        if rule.counts not in sources:
            raise ConfigurationError(
                f"there is no source {rule.counts!r}",
                where=where,
                do=f"The mappings are: {', '.join(sorted(sources)) or 'none yet'}",
            )
        for kind in rule.kinds:
            if kind not in EVENT_KINDS:
                raise ConfigurationError(
                    f"there is no kind {kind!r}", where=where, do="Name kinds of events, or none for all"
                )


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


def seen_numbers(rules: Sequence[SourceRule], events: str, ignored: str) -> str:
    """Return the SELECT of `ignored` with the numbers of evidence: its records were not lost either."""
    special = {"reason": "'another source counts'"}
    columns = ", ".join(f'{special.get(c, f"e.{c}")} as "{c}"' for c in TABLES["ignored"].names)
    own = ", ".join(f'"{c}"' for c in TABLES["ignored"].names)
    return (
        f"select {own} from {ignored} union all select {columns} from {events} e "
        f"where e.sequence is not null and not ({counts_sql(rules)})"
    )
