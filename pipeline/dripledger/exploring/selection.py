"""What can be chosen of a store, and the tables of what was chosen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from dripledger.engine import build_relations
from dripledger.errors import UsageError
from dripledger.measures import ROWS, refuse_unbuilt
from dripledger.reading import Store

CAUTIONS: Final = (
    "For quality improvement; not for decisions at the bedside, and no advice on a dose or a limit. Limits "
    "are set by the organisation's pharmacists and licensed clinicians under its policy and local law.",
    "Counts are about systems, not persons. Full times stand here: a care area, a date and a time of night "
    "can name the one nurse on duty, so keep this page with the analyst.",
    "Care areas are as selected at the pump. Amounts are what was pumped, not what reached the vein.",
)

_ROOM: Final = "exploring"


@dataclass(frozen=True)
class Choices:
    """What a store holds to choose from; each list is sorted."""

    months: tuple[str, ...]
    care_areas: tuple[str, ...]
    entries: tuple[str, ...]


@dataclass(frozen=True)
class Selection:
    """What was chosen.

    Parameters
    ----------
    months
        Local months, such as ``2026-10``.
    care_areas
        As selected at the pump; ``none selected`` is one of them.
    entries
        Entries of the drug library; ``no entry`` is what ran outside it.
    """

    months: tuple[str, ...]
    care_areas: tuple[str, ...]
    entries: tuple[str, ...]


def choices(store: Store) -> Choices:
    """Return what can be chosen.

    Raises
    ------
    UsageError
        If the version's infusions were not built.
    """
    refuse_unbuilt(store.snapshot)
    _put(store, "explored_zone", "zone", [store.site.settings.time_zone])
    build_relations(store.connection, _ROOM, ["explored_choices"])
    rows = store.sql("select list, choice from explored_choices order by list, choice").fetchall()

    def listed(name: str) -> tuple[str, ...]:
        return tuple(choice for kind, choice in rows if kind == name)

    return Choices(listed("month"), listed("care_area"), listed("entry"))


def infusions(store: Store, chosen: Selection) -> pa.Table:
    """Return the infusions that were chosen, with their limit alerts and alarms.

    Returns
    -------
    pyarrow.Table
        One row an infusion, by start: local times, volume in mL, amount in `amount_unit`, running hours.
    """
    _choose(store, chosen)
    return _fetch(store, "explored_infusions")


def use_by_month(store: Store, chosen: Selection) -> pa.Table:
    """Return how the chosen infusions used the library.

    Returns
    -------
    pyarrow.Table
        One row a month and library use: infusions, running hours, infusions with a limit alert, uncertain
        ones. Maintenance and training are left out.
    """
    _choose(store, chosen)
    return _fetch(store, "explored_use")


def measure_names() -> dict[str, str]:
    """Return title -> name of each measure that is given by care area, in the order of the definitions."""
    return {
        measure.row_title(part): name
        for name, (measure, part) in ROWS.items()
        if measure.built and "care_area" in measure.groups
    }


def measure_rows(store: Store, chosen: Selection) -> pa.Table:
    """Return every measure for the chosen months and care areas.

    Parameters
    ----------
    store
        The store.
    chosen
        What was chosen. Measures are over all entries: by entry most cells would be too small for a rate.

    Returns
    -------
    pyarrow.Table
        One row a measure, care area and month, in that order: counts, value with its interval, status,
        reason.
    """
    if not chosen.months or not chosen.care_areas:
        return store.measures([], ["care_area"]).limit(0).to_arrow_table()
    _choose(store, chosen)
    found = store.measures(chosen.months, ["care_area"]).to_arrow_table()
    store.connection.register("explored_measures_given", found)
    told = store.sql(
        "select * from explored_measures_given"
        " where care_area in (select c.care_area from chosen_care_areas as c)"
        " order by measure, care_area, month"
    ).to_arrow_table()
    store.connection.unregister("explored_measures_given")
    return told


def only_measure(rows: pa.Table, measure: str) -> pa.Table:
    """Return the rows of one measure, such as ``library_use_starts``.

    Raises
    ------
    UsageError
        If there is no such measure.
    """
    if measure not in ROWS:
        raise UsageError(f"there is no measure {measure!r}")
    return rows.filter(pc.equal(rows["measure"], measure))


def stretches_of(store: Store, infusion_id: str) -> pa.Table:
    """Return how one infusion ran: state, rate in mL/h and dose, stretch by stretch, in local times."""
    _choose_infusion(store, infusion_id)
    return _fetch(store, "explored_stretches")


def events_of(store: Store, infusion_id: str) -> pa.Table:
    """Return what was logged while one infusion lasted, each event with the file and record that say so."""
    _choose_infusion(store, infusion_id)
    return _fetch(store, "explored_events")


def _choose(store: Store, chosen: Selection) -> None:
    refuse_unbuilt(store.snapshot)
    _put(store, "explored_zone", "zone", [store.site.settings.time_zone])
    _put(store, "chosen_months", "month", chosen.months)
    _put(store, "chosen_care_areas", "care_area", chosen.care_areas)
    _put(store, "chosen_entries", "entry", chosen.entries)


def _choose_infusion(store: Store, infusion_id: str) -> None:
    refuse_unbuilt(store.snapshot)
    _put(store, "explored_zone", "zone", [store.site.settings.time_zone])
    _put(store, "chosen_infusion", "infusion_id", [infusion_id])


def _put(store: Store, name: str, column: str, values: Iterable[str]) -> None:
    """Make a small relation of text values."""
    data = pa.table({column: pa.array(list(values), pa.string())})
    store.connection.register(f"{name}_given", data)
    store.connection.execute(f'create or replace temp table "{name}" as select * from "{name}_given"')
    store.connection.unregister(f"{name}_given")


def _fetch(store: Store, relation: str, wanted: Sequence[str] = ()) -> pa.Table:
    build_relations(store.connection, _ROOM, [relation, *wanted])
    return store.sql(f'select * from "{relation}"').to_arrow_table()
