"""Measures of settled months that were kept are what working them out gives, after any change of the store.

Rows are drawn into a store of five months, arriving late, in files of clocks that stood months off, beside
pumps that fall silent; a month's key has to change wherever a figure of it does.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any, Final

import pytest
from tests.marks import LONG
from tests.measure_samples import table
from tests.settled_samples import SETTINGS

from dripledger.measures import measure_store, recalled
from dripledger.site import EntryRow, PumpRow, Site, load_site
from dripledger.store import Ledger

Row = dict[str, Any]

#: Changes of one store: each costs two answers of a second.
_CHANGES: Final = 4
_FIRST: Final = datetime(2026, 1, 1)
_DAYS: Final = 150
_AREAS: Final = ("icu", "ward", "-")
_ENTRIES: Final = ("morphine", "insulin", "-")
_PUMPS: Final = tuple(f"P{k}" for k in range(6))
_GROUPS: Final = ((), ("care_area",), ("source",), ("care_area", "entry"), ("pump_type",), ("high_alert",))
_KINDS: Final = (
    "powered_on", "powered_on", "powered_off", "power_lost", "key_pressed", "rate_changed",
    "infusion_stopped", "alarm_raised", "limit_alerted", "communication_lost", "library_received",
)  # fmt: skip


def stamp(at: datetime) -> str:
    return at.strftime("%Y-%m-%d %H:%M:%S")


class Drawn:
    """A store whose rows are drawn, with all of them at hand, so that a month of a table can be replaced.

    Parameters
    ----------
    root
        Folder of the site.
    seed
        Of what is drawn.
    """

    def __init__(self, root: Path, seed: int) -> None:
        self.random = Random(seed)
        self.number = 0
        self.rows: dict[str, list[Row]] = {}
        root.mkdir(parents=True)
        (root / "site.toml").write_text(SETTINGS, encoding="utf-8")
        self.site = load_site(root)
        names = ("wards", "theatre")
        self.add({"ingests": [{"source_name": name, "ingested_at": "2026-07-01 06:00"} for name in names]})
        self.add({"libraries": [{"library_version": name} for name in ("6", "7")]})
        for _ in range(40):
            self.add(self.one())
        # the fleet is heard until the end
        self.add({"events": [self.event(pump, _FIRST + timedelta(days=_DAYS)) for pump in _PUMPS]})

    def name(self, kind: str) -> str:
        self.number += 1
        return f"{kind}{self.number}"

    def at(self, before: float = _DAYS) -> datetime:
        """Draw an instant, at the edge of a month often: that of the facility is not that of a file."""
        if self.random.random() < 0.3:
            edge = datetime(2026, self.random.randrange(1, 7), 1)
            return edge + timedelta(hours=self.random.choice((-1, 1, 2.9, 3.1, 5)))
        return _FIRST + timedelta(days=self.random.uniform(0, before))

    def event(self, pump: str, at: datetime, **given: Any) -> Row:
        """Return an event; its file is that of the pump's clock, which may have stood months off."""
        off = self.random.choice((0, 0, 0, 0.01, 3, 12, 25, 45, 80, -70)) if pump in _PUMPS[2:] else 0
        row = {
            "event_id": self.name("e"),
            "pump_id": pump,
            "occurred_at": stamp(at),
            "device_time": stamp(at),
        }
        return {**row, "month": f"{at + timedelta(days=off):%Y-%m}", **given}

    def one(self) -> dict[str, list[Row]]:
        """Draw rows that belong together."""
        random = self.random
        area, entry = random.choice(_AREAS), random.choice(_ENTRIES)
        # the last ones are hardly ever heard: what they tell next says whether they were on
        pump = random.choices(_PUMPS, (8, 8, 8, 4, 1, 1))[0]
        what, at = (
            random.choice(("event", "event", "infusion", "infusion", "alarm", "quiet", "waiting")),
            self.at(),
        )
        named = {"pump_id": pump, "care_area": area, "entry": entry, "channel": random.choice(("A", "B"))}
        if what == "event":
            kind, number = random.choice(_KINDS), random.choice(("-", str(random.randrange(1, 400))))
            more = {"pump_model": random.choice(("-", "-", "M6")), "unmapped": random.choice(([], ["entry"]))}
            return {"events": [self.event(pump, at, kind=kind, sequence=number, **named, **more)]}
        if what == "quiet":
            row = {"pump_id": pump, "sequence": str(random.randrange(1, 400)), "device_time": stamp(at)}
            return {"ignored": [{**row, "occurred_at": stamp(at), "month": f"{at:%Y-%m}"}]}
        if what == "waiting":
            number = random.choice(("-", str(random.randrange(1, 400))))
            when = random.choice(("-", stamp(at)))
            row = {
                "pump_id": pump,
                "sequence": number,
                "device_time": when,
                "source_record": random.randrange(99),
            }
            return {"quarantined": [row]}
        if what == "alarm":
            ends = at + timedelta(hours=random.choice((0.1, 5, 900, 2500)))
            kind = random.choice(("occlusion", "low_battery", "other", "-"))
            row = {**named, "alarm_id": self.name("l"), "raised_at": stamp(at), "alarm_kind": kind}
            del row["entry"]
            row |= {"ended_at": random.choice(("-", stamp(ends))), "month": f"{at:%Y-%m}"}
            return {"alarms": [{**row, "cleared_at": row["ended_at"]}]}
        return self.infusion(named, at)

    def infusion(self, named: Row, at: datetime) -> dict[str, list[Row]]:
        """Draw an infusion of some hours or of months, with its stretches and attempts."""
        random, own = self.random, self.name("i")
        use = random.choice(("limited", "limited", "no_limit_entry", "bypassed", "-"))
        hours = random.choice((2.0, 30.0, 900.0, 2600.0))
        ends = at + timedelta(hours=hours)
        row = {
            **named,
            "infusion_id": own,
            "library_use": use,
            "started_at": stamp(at),
            "ended_at": stamp(ends),
        }
        row |= {"month": f"{at:%Y-%m}", "library_version": random.choice(("-", "6", "7"))}
        more = {"start_kind": random.choice(("start", "start", "missing"))}
        # a log may tell the type of a pump late, or for another one under the same name
        more["pump_type"] = random.choice(("syringe", "syringe", "-", "volumetric"))
        found: dict[str, list[Row]] = {"infusions": [{**row, **more}], "segments": []}
        cuts = [at, *sorted(at + timedelta(hours=random.uniform(0, hours)) for _ in range(2)), ends]
        for begin, end in itertools.pairwise(cuts):
            state = random.choice(("running", "running", "stopped_by_alarm", "paused"))
            told = {"started_at": stamp(begin), "ended_at": stamp(end), "state": state}
            found["segments"].append(
                {**named, **told, "infusion_id": own, "library_use": use, "month": f"{begin:%Y-%m}"}
            )
        for k in range(random.choice((0, 1, 3))):
            # the start itself is confirmed seconds before it, maybe in another month
            begins = k == 0 and random.random() < 0.6
            when = at - timedelta(seconds=20) if begins else at + timedelta(hours=random.uniform(0, hours))
            for name, rows in self.attempt(named, own, when, "start" if begins else "").items():
                found.setdefault(name, []).extend(rows)
        return found

    def attempt(self, named: Row, infusion: str, at: datetime, phase: str = "") -> dict[str, list[Row]]:
        """Draw a programming and the limit that it met; one in a pause is one of a start, however late."""
        random, own, month = self.random, self.name("a"), f"{at:%Y-%m}"
        phase = phase or random.choice(("change", "change", "start"))
        soft, hard = random.choice((("yes", "no"), ("yes", "no"), ("no", "yes"), ("no", "no")))
        outcome = random.choice(("overridden", "within_limits", "left_library", "unknown"))
        met = {
            "attempt_id": own,
            "infusion_id": infusion,
            "first_alert_at": stamp(at),
            "last_alert_at": stamp(at),
        }
        met |= {
            "met_soft": soft,
            "met_hard": hard,
            "outcome": outcome,
            "decided_at": stamp(at),
            "month": month,
        }
        programming = {
            "programming_id": f"p{own}",
            "infusion_id": infusion,
            "attempt_id": own,
            "at": stamp(at),
        }
        return {
            "attempts": [
                {**named, **met, "phase": phase, "limit_multiple": random.choice(("1.2", "2.4", "11"))}
            ],
            "programmings": [{**named, **programming, "phase": phase, "month": month}],
        }

    def add(self, found: dict[str, list[Row]]) -> None:
        for name, rows in found.items():
            self.rows.setdefault(name, []).extend(rows)

    def commit(self, change: Callable[[Any], None]) -> None:
        with Ledger.open_or_create(self.site.store).write(at=datetime(2026, 7, 2, tzinfo=UTC)) as writer:
            change(writer)
            writer.commit(ingest_id="1", declarations=self.site.declaration_files())

    def write(self) -> None:
        """Write everything that was drawn so far."""
        self.commit(lambda w: [w.append(name, table(name, rows)) for name, rows in self.rows.items()])

    def change(self) -> str:
        """Change the store or what is declared; return what was done."""
        what = self.random.choice(("arrive", "arrive", "arrive", "attempt", "replace", "declare", "source"))
        if what == "arrive":
            self.arrive(*(self.one() for _ in range(self.random.choice((1, 1, 3)))))
        elif what == "attempt":
            infusion = self.random.choice(self.rows["infusions"])
            named = {name: infusion[name] for name in ("pump_id", "care_area", "entry", "channel")}
            at = datetime.fromisoformat(infusion["started_at"]) + timedelta(days=self.random.uniform(0, 100))
            self.arrive(self.attempt(named, infusion["infusion_id"], at))
        elif what == "replace":
            self.replace()
        elif what == "source":
            # a source of pumps of its own: where one tells of another's pump, nothing is recalled
            self.arrive({"events": [self.event("P9", self.at(), source_name="theatre", kind="powered_on")]})
        else:
            self.declare()
        return what

    def arrive(self, *found: dict[str, list[Row]]) -> None:
        def append(writer: Any) -> None:
            for rows_by_table in found:
                for name, rows in rows_by_table.items():
                    writer.append(name, table(name, rows))

        self.commit(append)
        for rows_by_table in found:
            self.add(rows_by_table)

    def replace(self) -> None:
        """Take one row of a month of a table away, as a rebuilt month or an undone file may."""
        name = self.random.choice(("infusions", "segments", "attempts", "alarms", "events"))
        gone = self.random.choice(self.rows[name])
        self.rows[name].remove(gone)
        left = [row for row in self.rows[name] if row["month"] == gone["month"]]
        self.commit(lambda writer: writer.replace(name, [gone["month"]], table(name, left)))

    def declare(self) -> None:
        flags = self.random.choice((None, (EntryRow("insulin", self.random.random() < 0.5, ()),)))
        until = self.random.choice((None, date(2026, 2, 10)))
        pumps = self.random.choice((None, tuple(PumpRow(p, None, None, None, None, until) for p in _PUMPS)))
        self.site: Site = dataclasses.replace(self.site, entries=flags, pumps=pumps)


@pytest.mark.parametrize("seed", [1, *(pytest.param(n, marks=LONG) for n in range(2, 7))])
def test_what_was_kept_of_months_is_what_working_them_out_gives(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    months_recalled: list[int] = []
    really = recalled._Kept.recall

    def noted(*given: Any) -> Any:
        found = really(*given)
        months_recalled.append(len(found))
        return found

    monkeypatch.setattr(recalled._Kept, "recall", noted)
    drawn = Drawn(tmp_path / "site", seed)
    drawn.write()
    by, done = drawn.random.choice(_GROUPS), ["all"]
    for _ in range(_CHANGES):
        snapshot = Ledger.open(drawn.site.store).snapshot()
        kept = recalled.measure_months(drawn.site, snapshot, None, by, tmp_path / "kept").to_pylist()
        fresh = measure_store(drawn.site, snapshot, None, by).to_pylist()
        differ = [pair for pair in zip(kept, fresh, strict=True) if pair[0] != pair[1]]
        assert not differ, (done, by, differ[0])
        done.append(drawn.change())
    # a change may have touched every month; where none did, the settled ones are recalled
    snapshot = Ledger.open(drawn.site.store).snapshot()
    for _ in range(2):
        kept = recalled.measure_months(drawn.site, snapshot, None, by, tmp_path / "kept").to_pylist()
    assert kept == measure_store(drawn.site, snapshot, None, by).to_pylist(), (done, by)
    assert months_recalled[-1] >= 2, "no month was recalled, so this shows nothing"
