"""Which source counts where several report the same pump: events of the others stay as evidence only."""

from __future__ import annotations

from collections.abc import Collection

from dripledger.errors import ConfigurationError
from dripledger.schema import EVENT_KINDS
from dripledger.site import Site
from dripledger.store.counting import counting_events, counts_sql, seen_numbers

__all__ = ["check_precedence", "counting_events", "counts_sql", "seen_numbers"]


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
