"""Library use by month and care area, in polars: no dependency of the project, install it to compare."""

from __future__ import annotations

import sys
from typing import Any

import polars as pl


def library_use(path: str) -> Any:
    """Return starts and hours, inside the library and in all, by month and care area."""
    inside = pl.col("use") == "IN"
    hours = (pl.col("ended") - pl.col("started")).dt.total_seconds() / 3600
    return (
        pl.scan_csv(path)
        .with_columns(pl.col("time").str.to_datetime("%Y-%m-%d %H:%M:%S"))
        .sort("pump", "time", "number")
        .with_columns(infusion=(pl.col("event") == "START").cum_sum().over("pump"))
        .group_by("pump", "infusion")
        .agg(
            started=pl.col("time").first(), ended=pl.col("time").last(),
            area=pl.col("area").drop_nulls().first(), use=pl.col("use").drop_nulls().first(),
        )
        .with_columns(hours=hours, month=pl.col("started").dt.strftime("%Y-%m"))
        .group_by("month", "area")
        .agg(
            starts_inside=inside.sum(), starts=pl.len(), hours_inside=pl.col("hours").filter(inside).sum(),
            hours=pl.col("hours").sum(),
        )
        .sort("month", "area")
        .collect()
    )  # fmt: skip


if __name__ == "__main__":
    library_use(sys.argv[1]).write_csv(sys.argv[2])
