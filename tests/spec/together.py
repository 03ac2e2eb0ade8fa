"""All drawn logs of a module through the SQL in one build: what a small build costs is nearly all planning.

Before the first test of a module asks the SQL, every such test that was chosen is played by the oracle, only to
note which logs it draws. They are built together, each as a facility of its own, and handed out one by one; so
the drawn tables also show that no pump disturbs another. Each log alone: the engine `sql alone`, marked `slow`.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

import pytest

Row = dict[str, Any]
Tables = dict[str, list[Row]]
#: What a reading needs beside the log; only logs that need the same are built together.
Needs = tuple[Any, ...]
Build = Callable[[list[Row], Needs], Tables]

SQL: Final = "sql"
ALONE: Final = "sql alone"


class Together:
    """Readings of one kind, made for many logs at once."""

    def __init__(self, build: Build) -> None:
        self._build = build
        self._noted: list[tuple[list[Row], Needs]] | None = None
        self._made: dict[str, Tables] = {}

    @property
    def is_noting(self) -> bool:
        """Whether tests are played only to note their logs."""
        return self._noted is not None

    def note(self, events: list[Row], needs: Needs) -> None:
        """Note a log, while the tests of a module are played for that."""
        if self._noted is not None:
            self._noted.append((events, needs))

    def gather(self, tests: Iterable[Callable[[], object]]) -> None:
        """Play tests, and build every log that they draw; what was built before is forgotten."""
        self._noted, self._made = [], {}
        try:
            for test in tests:
                try:
                    test()
                except (Exception, pytest.fail.Exception, pytest.skip.Exception):
                    continue  # it fails again in its own turn
            groups: dict[str, dict[str, tuple[list[Row], Needs]]] = {}
            for events, needs in self._noted:
                groups.setdefault(repr(needs), {})[_key(events, needs)] = events, needs
        finally:
            self._noted = None
        for logs in groups.values():
            self._made |= self._build_all(logs)

    def _build_all(self, logs: Mapping[str, tuple[list[Row], Needs]]) -> dict[str, Tables]:
        if len(logs) < 2:
            return {}
        everything = [
            event
            | {"facility": f"{number:04} {event['facility']}", "event_id": _mark(number) + event["event_id"]}
            for number, (events, _) in enumerate(logs.values())
            for event in events
        ]
        _, needs = next(iter(logs.values()))
        found = self._build(everything, needs)
        made: list[Tables] = [{name: [] for name in found} for _ in logs]
        for name, rows in found.items():
            for row in rows:
                number = int(row["facility"][:4])
                made[number][name].append({column: _bare(value, number) for column, value in row.items()})
        return dict(zip(logs, made, strict=True))

    def read(self, events: list[Row], needs: Needs) -> Tables:
        """Return the reading of one log: as it was made in company, else made now."""
        found = self.made(events, needs)
        return self._build(events, needs) if found is None else found

    def made(self, events: list[Row], needs: Needs) -> Tables | None:
        """Return the reading of one log as it was made in company, where it was."""
        return self._made.get(_key(events, needs))


def _key(events: Sequence[Row], needs: Needs) -> str:
    return repr((events, needs))


def _mark(number: int) -> str:
    """Stand before the ids of one log: all equally long, so that ids sort as they did."""
    return f"{number:04}~"


def _bare(value: Any, number: int) -> Any:
    if isinstance(value, str):
        return value.replace(_mark(number), "").removeprefix(f"{number:04} ")
    return [_bare(one, number) for one in value] if isinstance(value, list) else value


def played(
    items: Iterable[pytest.Item], module: object, engine: str = SQL, **stand_ins: Any
) -> list[Callable[[], object]]:
    """Return the tests of a module that ask an engine, each ready to be played with these arguments in place.

    A test that takes any other fixture is left out: its logs are built alone.
    """
    tests: list[Callable[[], object]] = []
    for item in items:
        if not isinstance(item, pytest.Function) or item.module is not module:
            continue
        drawn = item.callspec.params if hasattr(item, "callspec") else {}
        if engine not in drawn.values():
            continue
        given = {**drawn, **stand_ins}
        names = inspect.signature(item.function).parameters.keys()
        if names <= given.keys():
            arguments = {name: given[name] for name in names}
            tests.append(lambda test=item.function, arguments=arguments: test(**arguments))  # type: ignore[misc]
    return tests
