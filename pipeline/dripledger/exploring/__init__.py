"""Looking around in a store: what can be chosen, what was chosen, and a library's limits moved.

This is what the notebooks stand on; they define no logic of their own. It shows full times: what it gives
is for an analyst, and committees see a date and a shift.
"""

from dripledger.exploring.charts import draw_infusion, draw_measure, draw_use
from dripledger.exploring.finding import demo_site, notebook_file
from dripledger.exploring.libraries import LibraryReview, Moved, Place, standing
from dripledger.exploring.selection import (
    CAUTIONS,
    Choices,
    Selection,
    choices,
    events_of,
    infusions,
    measure_names,
    measure_rows,
    only_measure,
    stretches_of,
    use_by_month,
)

__all__ = [
    "CAUTIONS",
    "Choices",
    "LibraryReview",
    "Moved",
    "Place",
    "Selection",
    "choices",
    "demo_site",
    "draw_infusion",
    "draw_measure",
    "draw_use",
    "events_of",
    "infusions",
    "measure_names",
    "measure_rows",
    "notebook_file",
    "only_measure",
    "standing",
    "stretches_of",
    "use_by_month",
]
