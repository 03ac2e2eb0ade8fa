"""Where in a pump something stands: OBX-4 is ``MDS.VMD.CHAN.METRIC``, pump, its channel, fluid source.

A message may speak of several fluid sources (a secondary beside its primary, a dose beside the infusion
that it interrupts). Values belong to the source that the event concerns, or to a level above it.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any, Final, TypeAlias

#: MDS, VMD, CHAN.
Path: TypeAlias = tuple[int, int, int]
#: The level of what names none: it belongs to the message as a whole.
NOWHERE: Final[Path] = (0, 0, 0)


@dataclass(slots=True)
class Seen:
    """What one message says, by level.

    Parameters
    ----------
    values
        Level -> its values, as the reader keeps them.
    levels
        Level -> how the message names it (OBX-3).
    infos
        Levels that hold delivery information and are no fluid source.
    devices
        (level, which observation names its device) in the order of the message.
    declared
        The level that the event says that it concerns.
    active
        The active source as a coded value.
    """

    values: defaultdict[Path, list[Any]] = field(default_factory=lambda: defaultdict(list))
    levels: dict[Path, str] = field(default_factory=dict)
    infos: set[Path] = field(default_factory=set)
    devices: list[tuple[Path, int]] = field(default_factory=list)
    declared: Path | None = None
    active: str | None = None

    def level(self, path: Path, name: str, info: bool) -> None:
        """Take in the head of a level."""
        if path != NOWHERE:
            self.levels.setdefault(path, name)
            if info:
                self.infos.add(path)


def path_of(text: str) -> tuple[Path | None, int, int]:
    """Return (MDS, VMD, CHAN), METRIC and the facet of an alert; no path where the text is no containment."""
    parts = text.strip().split(".")
    if len(parts) > 5 or not all(p.isdecimal() and len(p) <= 9 for p in parts):
        return None, 0, 0
    m, v, c, metric, facet = ([int(p) for p in parts] + [0] * 5)[:5]
    return (m, v, c), metric, facet


def place_of(seen: Seen) -> Path | None:
    """Return the level of the fluid source that the event concerns; None where nothing tells.

    What the event declares counts, as far as it goes; below that the only source there is; else the one that
    the active source names.
    """
    declared = seen.declared
    if declared is not None and declared[2]:
        return declared
    paths = {p for p in (*seen.values, *seen.levels) if p != NOWHERE}
    if declared is not None:
        paths = {p for p in paths if p[0] == declared[0] and declared[1] in (0, p[1])}
    sources = [p for p in paths if p[2] and p not in seen.infos]
    if len(sources) == 1:
        return sources[0]
    if seen.active is not None:
        word = f"SOURCE_{seen.active.rpartition('-')[2].upper()}"
        named = [p for p in sources if word in seen.levels.get(p, "")]
        if len(named) == 1:
            return named[0]
    if declared is not None:
        return declared
    pumps = {p[0] for p in paths}
    channels = {p[1] for p in paths if p[1]}
    if len(pumps) != 1:
        return None
    return (min(pumps), min(channels) if len(channels) == 1 else 0, 0)


def nearest_last(seen: Seen, place: Path | None) -> list[Path]:
    """Return the levels whose values count for an event, the nearest to its source last."""
    ranked = [(_rank(path, place, seen.infos), path) for path in seen.values]
    return [path for rank, path in sorted(ranked, reverse=True) if rank >= 0]


def _rank(path: Path, place: Path | None, infos: set[Path]) -> int:
    if path == place:
        return 0
    if path == NOWHERE:
        return 4
    if place is None:
        return 3 if path[2] == 0 or path in infos else -1
    if path[0] != place[0] or path[1] not in (0, place[1]):
        return -1
    if path in infos:
        return 1
    if path[2]:
        return -1
    return 2 if path[1] else 3
