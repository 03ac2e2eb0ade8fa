"""A small hospital whose names mean no good, and the folder of its report."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

import duckdb

from dripledger.engine import build_relations, load_sql_files
from dripledger.engine.sqlfiles import build_order
from dripledger.measures import Month, prepare
from dripledger.reports import Stamp, build
from dripledger.reports.material import Material, gather
from dripledger.reports.rendering import render_files
from dripledger.site import ChangeRow, EntryRow, PumpRow, ReviewRow, Site
from tests.measure_samples import site, store

OCTOBER = Month(2026, 10)
STAMP = Stamp(
    facility="Fennmoor General",
    time_zone="Europe/Lisbon",
    store_version=3,
    committed_on="2026-11-02",
    code_version="0.1.0",
    definitions_version="2",
    declarations_sha256="ab" * 32,
)
SCRIPT = "<script>alert('x')</script>"
QUOTED = 'Ward "B" & <i>C</i>\'s'
FORMULA = '=HYPERLINK("http://x.invalid";"x")'
#: As long as a name can reasonably come, without a place to break at and with.
LONG = "W" * 300
LONG_WORDS = ("a very long name of an entry " * 11)[:300].strip()
AREAS = (SCRIPT, QUOTED, LONG)


def drawn(
    months: tuple[str, ...] = ("2026-09", "2026-10"), areas: tuple[str, ...] = AREAS, each: int = 24
) -> Any:
    """Draw infusions, programmings, attempts and alarms in each month and area."""
    found: dict[str, list[dict[str, Any]]] = {
        name: [] for name in ("infusions", "segments", "programmings", "attempts", "alarms", "events")
    }
    for month in months:
        for place, area in enumerate(areas):
            for k in range(each):
                name = f"{month}-{place}-{k}"
                entry = (SCRIPT, FORMULA, "morphine", LONG_WORDS)[(k // 2 + k // 8) % 4]
                begins, ends = f"{month}-05 03:12:45", f"{month}-06 23:12:45"
                common = {
                    "care_area": area,
                    "entry": entry,
                    "pump_id": f"P{k % 3}",
                    "channel": f"{place}{k}",
                    "month": month,
                }
                use = "bypassed" if k % 6 == 0 else "limited"
                found["infusions"].append(
                    {
                        **common,
                        "infusion_id": f"i{name}",
                        "library_use": use,
                        "started_at": begins,
                        "ended_at": ends,
                        "library_version": "7",
                    }
                )
                found["segments"].append(
                    {
                        **common,
                        "infusion_id": f"i{name}",
                        "library_use": use,
                        "started_at": begins,
                        "ended_at": ends,
                    }
                )
                found["programmings"].append(
                    {
                        **common,
                        "programming_id": f"p{name}",
                        "infusion_id": f"i{name}",
                        "attempt_id": f"a{name}" if k % 2 == 0 else "-",
                        "at": begins,
                    }
                )
                if k % 2 == 0:
                    outcome = ("overridden", "within_limits", "left_library", "overridden")[k // 2 % 4]
                    found["attempts"].append(
                        {
                            **common,
                            "attempt_id": f"a{name}",
                            "infusion_id": f"i{name}",
                            "first_alert_at": begins,
                            "last_alert_at": begins,
                            "decided_at": begins,
                            "outcome": outcome,
                            "limit_value": "5",
                            "limit_unit": "mg/h",
                            "entered_first": "60",
                            "entered_final": "12",
                            "limit_multiple": "2.4",
                            "met_hard": "yes" if k % 8 == 0 else "no",
                        }
                    )
                if k % 3 == 0:
                    found["alarms"].append(
                        {
                            **{n: v for n, v in common.items() if n != "entry"},
                            "alarm_id": f"l{name}",
                            "infusion_id": f"i{name}",
                            "raised_at": f"{month}-05 08:00:00",
                            "cleared_at": f"{month}-05 08:05:00",
                            "ended_at": f"{month}-05 08:05:00",
                        }
                    )
        found["events"].append(
            {
                "event_id": f"e{month}",
                "occurred_at": f"{month}-20 09:00:00",
                "month": month,
                "device_time": f"{month}-20 09:00:00",
                "unmapped": ["entry"],
                "entry_logged": SCRIPT,
                "pump_id": "P1",
            }
        )
    return found


def own_site(areas: tuple[str, ...] = AREAS, **report: str) -> Site:
    """Return a site with lists, whose change and flags are as bad as its areas."""
    return site(
        areas=areas,
        zone="Europe/Lisbon",
        report=report,
        lists={
            "pumps": tuple(PumpRow(f"P{k}", None, None, None, None, None) for k in range(4)),
            "entries": (EntryRow(SCRIPT, True, ()), EntryRow("morphine", False, ())),
            "changes": (ChangeRow(date(2026, 10, 3), None, f"go-live {SCRIPT}"),),
            "reviews": (ReviewRow("a2026-10-0-0", "slip", date(2026, 11, 1)),),
        },
    )


def composed(own: Site, **given: Any) -> Material:
    """Read what the pages of October are composed of: what a test of some blocks needs, at half the cost."""
    con = store(**given)
    return gather(con, own, OCTOBER, STAMP, build(con, own, OCTOBER))


def partly_built(own: Site, relations: Iterable[str], **given: Any) -> duckdb.DuckDBPyConnection:
    """Make these relations for the report of October and what they read, which `build` makes among all.

    For a store that begins in October: to make all of them takes most of the time of a test.
    """
    con, wanted = store(**given), set(relations)
    files = load_sql_files("reports")
    read = {name for file in build_order(files, wanted) for name in file.reads}
    prepare(con, own, [OCTOBER], (wanted | read) - files.keys())
    con.execute("create temp table report_month as select ? as month", [str(OCTOBER)])
    build_relations(con, "reports", wanted)
    return con


def rendered(own: Site | None = None, *, share: bool = False, **given: Any) -> dict[str, bytes]:
    """Render the folder of October."""
    own = own or own_site()
    return render_files(store(**(given or drawn())), own, OCTOBER, STAMP, share=share)
