"""A first look at a store: its tables, and two questions put to it.

Run it as a script, ``python notebooks/tour.py [SITE]``, or cell by cell in an editor that knows ``# %%``.
Without a site folder it opens ``demo`` at the top of the checkout, made by ``dripledger demo demo``. It only
reads.
Limits are set by the organisation's pharmacists and licensed clinicians; nothing here is for decisions at the
bedside.
"""

# %% Open the newest version of the store
import sys
from pathlib import Path

import dripledger

demo = Path(__file__).resolve().parents[1] / "demo"
store = dripledger.open(Path(sys.argv[1]) if len(sys.argv) == 2 else demo)
print(f"store version {store.version}, committed {store.committed_at}\n")

# %% What is in it: every table, with its rows
for name in store.tables:
    table = store.table(name)
    print(f"{name}: {table.count('*').fetchall()[0][0]} rows, {len(table.columns)} columns")

# %% One table: the first infusions
print("\nThe first infusions")
store.table("infusions").order("started_at, infusion_id").limit(10).select(
    "started_at, pump_id, channel, care_area, entry, library_use, running_hours, end_kind, uncertain"
).show()

# %% Question 1: how much was started under an entry of the drug library, by care area, month by month?
# Read the counts and the status before the value: library use does not say that there were limits.
print("Starts under an entry, by care area as selected at the pump")
store.measures().filter("measure = 'library_use_starts'").select(
    "month, care_area, numerator, denominator, value, low95, high95, status"
).show(max_rows=200)

# %% Question 2: how many hours ran outside the library, and how sure are they?
print("Running hours by library use")
store.sql(
    """
    select
        library_use,
        count(*) as infusions,
        sum(running_hours) as running_hours,
        count(*) filter (where uncertain) as uncertain_infusions
    from infusions
    group by library_use
    order by library_use
    """
).show()

# %% Done
store.close()
