"""Library use by month and care area, in pandas."""

from __future__ import annotations

import sys

import pandas as pd


def library_use(path: str) -> pd.DataFrame:
    """Return starts and hours, inside the library and in all, by month and care area."""
    log = pd.read_csv(path)
    log["time"] = pd.to_datetime(log["time"], format="%Y-%m-%d %H:%M:%S")
    log = log.sort_values(["pump", "time", "number"])
    log["infusion"] = (log["event"] == "START").groupby(log["pump"]).cumsum()
    whole = log.groupby(["pump", "infusion"]).agg(
        started=("time", "first"), ended=("time", "last"), area=("area", "first"), use=("use", "first")
    )
    whole["hours"] = (whole["ended"] - whole["started"]).dt.total_seconds() / 3600
    whole["inside"] = (whole["use"] == "IN").astype(int)
    whole["hours_inside"] = whole["hours"] * whole["inside"]
    whole["month"] = whole["started"].dt.strftime("%Y-%m")
    found = whole.groupby(["month", "area"]).agg(
        starts_inside=("inside", "sum"), starts=("inside", "size"), hours_inside=("hours_inside", "sum"),
        hours=("hours", "sum"),
    )  # fmt: skip
    return found.reset_index()


if __name__ == "__main__":
    library_use(sys.argv[1]).to_csv(sys.argv[2], index=False)
