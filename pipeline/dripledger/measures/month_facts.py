"""The facts of one month as they can be kept: what `Facts` has read of it, whole, and as a table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import pyarrow as pa

from dripledger.measures.cells import Clusters, Counts, Shares
from dripledger.statistics import ClusterSums

#: Values of the groups of a cell.
Key = tuple[str, ...]
#: Names of groups, in the order of the columns.
Groups = tuple[str, ...]

#: What `Counts` counts; `lacking` and what is missing of the sources here is told anew each time.
_COUNTED: Final = (
    "numerator", "denominator", "left_out_unknown", "left_out_unable", "left_out_untold", "passed_over",
)  # fmt: skip
_SCHEMA: Final = pa.schema(
    [
        ("measure", pa.string()),
        ("row", pa.string()),
        ("groups", pa.list_(pa.string())),
        ("key", pa.list_(pa.string())),
        ("counted", pa.list_(pa.int64())),
        # as text: squares of microseconds are no 64 bits
        ("sums", pa.list_(pa.string())),
        ("times", pa.list_(pa.list_(pa.int64()))),
        # of what stands for no measure: infusions of a source
        ("source", pa.string()),
        ("infusions", pa.int64()),
    ]
)


@dataclass(frozen=True)
class MonthFacts:
    """What was counted in one month.

    Attributes
    ----------
    counts
        (measure, groups) -> name of a row of the measure -> values of the groups -> counts.
    presence
        Groups -> values of the groups -> source -> infusions that began or ran.
    """

    counts: Mapping[tuple[str, Groups], Mapping[str, Mapping[Key, Counts]]] = field(default_factory=dict)
    presence: Mapping[Groups, Mapping[Key, Mapping[str, int]]] = field(default_factory=dict)

    def as_table(self) -> pa.Table:
        """Return them as a table, a row a cell; `from_table` reads it."""
        return pa.Table.from_pylist([*self._counts_lines(), *self._presence_lines()], _SCHEMA)

    def _counts_lines(self) -> Iterator[dict[str, Any]]:
        for (measure, groups), rows in self.counts.items():
            for row, found in rows.items():
                place = {"measure": measure, "row": row, "groups": groups}
                # a line without counts says that it was looked for
                yield {**place, "key": None}
                for key, one in found.items():
                    yield {
                        **place,
                        "key": key,
                        "counted": [getattr(one, name) for name in _COUNTED],
                        "sums": [str(value) for value in one.clusters.sums],
                        "times": [list(map(int, time)) for time in one.times],
                    }

    def _presence_lines(self) -> Iterator[dict[str, Any]]:
        for groups, places in self.presence.items():
            yield {"groups": groups, "key": None}
            for key, sources in places.items():
                for source, infusions in sources.items():
                    yield {"groups": groups, "key": key, "source": source, "infusions": infusions}


def from_table(table: pa.Table) -> MonthFacts:
    """Return the facts that `MonthFacts.as_table` gave.

    Raises
    ------
    KeyError, TypeError, ValueError
        Where it did not.
    """
    counts: dict[tuple[str, Groups], dict[str, dict[Key, Counts]]] = {}
    presence: dict[Groups, dict[Key, dict[str, int]]] = {}
    for line in table.to_pylist():
        groups, key = tuple(line["groups"]), None if line["key"] is None else tuple(line["key"])
        if line["measure"] is None:
            places = presence.setdefault(groups, {})
            if key is not None:
                places.setdefault(key, {})[line["source"]] = line["infusions"]
            continue
        found = counts.setdefault((line["measure"], groups), {}).setdefault(line["row"], {})
        if key is not None:
            found[key] = _counts(line)
    for rows in counts.values():
        for found in rows.values():
            _put_together(found)
    return MonthFacts(counts, presence)


def _counts(line: dict[str, Any]) -> Counts:
    return Counts(
        **dict(zip(_COUNTED, line["counted"], strict=True)),
        clusters=Clusters(ClusterSums(*map(int, line["sums"]))),
        times=[(duration_us, bool(seen), cases) for duration_us, seen, cases in line["times"]],
    )


def _put_together(found: Mapping[Key, Counts]) -> None:
    together = Shares([one.clusters.sums for one in found.values()])
    for place, one in enumerate(found.values()):
        one.clusters = Clusters(one.clusters.sums, together, place)
