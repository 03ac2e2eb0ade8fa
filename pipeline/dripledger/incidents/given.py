"""What the findings read beside the store's rows: thresholds, units, which events count."""

from __future__ import annotations

from typing import Final

import duckdb
import pyarrow as pa

from dripledger.schema.codes import TIE_ORDER
from dripledger.schema.units import register_units
from dripledger.site import Site
from dripledger.store.counting import counting_events, other_events, seen_numbers

#: Thresholds of the findings that are no setting of the site, each printed with the finding.
STEP_FACTOR: Final = 5.0
TWO_CHANNELS_MIN: Final = 60.0
SOON_AFTER_CLEAR_S: Final = 10.0
#: One kilogram in international pounds; how near a ratio of two weights has to come to it.
POUNDS_PER_KG: Final = 1 / 0.45359237
POUNDS_TOLERANCE: Final = 0.02
MISFIT_SHARE: Final = 0.05
VOLUME_SHARE: Final = 0.05
VOLUME_FLOOR_ML: Final = 0.5


def put(con: duckdb.DuckDBPyConnection, name: str, data: pa.Table) -> None:
    """Make a temporary table of an Arrow table."""
    con.register("_given", data)
    con.execute(f'create or replace temp table "{name}" as select * from _given')
    con.unregister("_given")


def make_settings(con: duckdb.DuckDBPyConnection, site: Site) -> None:
    """Make what the findings read beside the store's tables: thresholds, units, order of kinds in a tie."""
    thresholds = site.settings.thresholds
    con.execute(
        "create or replace temp table trace_settings as select "
        "cast(? as double) as step_factor, cast(? as bigint) as two_channels_us, "
        "cast(? as bigint) as soon_after_clear_us, cast(? as bigint) as unanswered_us, "
        "cast(? as double) as pounds_per_kg, cast(? as double) as pounds_tolerance, "
        "cast(? as double) as misfit_share, cast(? as double) as volume_share, "
        "cast(? as double) as volume_floor_ml, cast(? as bigint) as stale_us",
        [
            STEP_FACTOR, round(TWO_CHANNELS_MIN * 60e6), round(SOON_AFTER_CLEAR_S * 1e6),
            round(thresholds.long_stop_s * 1e6), POUNDS_PER_KG, POUNDS_TOLERANCE, MISFIT_SHARE, VOLUME_SHARE,
            VOLUME_FLOOR_ML, round(thresholds.stale_library_days * 86400e6),
        ],
    )  # fmt: skip
    register_units(con)
    put(
        con,
        "kind_order",
        pa.table({
            "kind": pa.array(TIE_ORDER, pa.string()),
            "tie_rank": pa.array(range(len(TIE_ORDER)), pa.int64()),
        }),
    )  # fmt: skip


def set_aside(con: duckdb.DuckDBPyConnection, site: Site, all_events: str, all_ignored: str) -> None:
    """Make `events` of those that count by the site's rules, `aside_events` of the others, and `ignored`.

    Parameters
    ----------
    con
        Where `all_events` and `all_ignored` stand, with the columns of the store's tables.
    site
        Its rules say whose word counts where several sources report a pump.
    all_events, all_ignored
        Names of the relations. The numbers of events that do not count were seen all the same: they are
        added to `ignored`, as the rebuilt infusions have it.
    """
    rules = site.settings.precedence
    con.execute(f"create or replace temp view events as {counting_events(rules, all_events)}")
    con.execute(f"create or replace temp view aside_events as {other_events(rules, all_events)}")
    con.execute(f"create or replace temp view ignored as {seen_numbers(rules, all_events, all_ignored)}")
