"""How long an ingest takes, as a ratio to the engine's own plain read of the same file, and how much memory.

Run ``python -m tests.benchmarks.ingest [--records N] [--repeats R] [--folder DIR]``. It generates a delimited
file of N invented records, reads it with `read_csv(all_varchar)` into zstd parquet (the unit of the ratio),
and ingests it into a fresh site, each in a process of its own. Originals and derived tables are rows apart.
Beside each ingest it is read and written by pandas, which checks nothing: by its defaults, and as text
throughout, which is what a log is until it has been checked. As text it should take 1.5 times as long as the
ingest at least. Last, twice the records spread over a year and a half are ingested, for the memory.
Ratios of processor time stand beside those of time, for a machine that does other things as well.
"""

from __future__ import annotations

import argparse
import itertools
import json
import multiprocessing
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import duckdb

from tests.benchmarks.figures import note

PANDAS, PANDAS_TEXT = "pandas", "pandas as text"
#: A log that is read in when a site begins: a year and a half.
_LONG_DAYS = 540
SITE = """format = 1
facility = "Harbour Hill"
time_zone = "Europe/Lisbon"
[care_areas."Adult intensive care"]
aliases = ["AICU"]
[care_areas."Medical ward"]
aliases = ["MED"]
[care_areas."Labour ward"]
aliases = ["LAB"]
"""

MAPPING = """pattern = ["*.csv"]
shape = "delimited"
records = ["all"]
sequence_reliable = true
[time]
zone = "site"
[fields]
pump_id = "Device"
channel = "Channel"
device_time = "Time"
sequence = "Sequence"
kind = "Event"
care_area = "Area"
entry = "Drug"
library_use = "Library use"
library_version = "Library"
concentration_value = "Concentration"
concentration_unit = "Concentration unit"
rate_ml_h = { field = "Rate", unit = "mL/h" }
previous_rate_ml_h = { field = "Rate before", unit = "mL/h" }
dose_value = "Dose"
dose_unit = "Dose unit"
volume_to_infuse_ml = { field = "VTBI", unit = "mL" }
volume_delivered_ml = { field = "Delivered", unit = "mL" }
weight_kg = { field = "Weight", unit = "kg" }
initiator = "By"
alarm_label = "Alarm"
[kinds]
START = "infusion_started"
RATE = "rate_changed"
STOP = "infusion_stopped"
PAUSE = "infusion_paused"
ON = "infusion_resumed"
VOL = "volume_reported"
ALARM = "alarm_raised"
UP = "powered_on"
OFF = "powered_off"
BEAT = { ignore = "sign of life, carries no event" }
[alarms]
OCC = { kind = "occlusion", priority = "high", stops_delivery = true }
BATT = { kind = "low_battery", priority = "low", stops_delivery = false }
[values.library_use]
IN = "limited"
OUT = "bypassed"
"""


def select_records(pumps: int, of_each: int, *, step_s: int = 97, first: str = "2026-01-01") -> str:
    """Return the SELECT of invented records: so many of each pump, one every so many seconds."""
    return f"""
        select 'P' || lpad(pump::varchar, 4, '0') as "Device",
            case when i % 2 = 0 then 'A' else 'B' end as "Channel",
            strftime(timestamp '{first}' + to_seconds(i * {step_s}), '%Y-%m-%d %H:%M:%S') as "Time",
            i + 1 as "Sequence",
            ['START', 'RATE', 'VOL', 'PAUSE', 'ON', 'VOL', 'RATE', 'STOP', 'ALARM', 'BEAT'][i % 10 + 1]
                as "Event",
            ['AICU', 'MED', 'LAB'][pump % 3 + 1] as "Area",
            ['Norepinephrine', 'Propofol', 'Insulin', 'Oxytocin'][(i // 10) % 4 + 1] as "Drug",
            case when i % 7 = 0 then 'OUT' else 'IN' end as "Library use", '2026.1' as "Library",
            (1 + (i // 10) % 5) * 0.08 as "Concentration", 'mg/mL' as "Concentration unit",
            round(1 + (h % 2000) / 10.0, 1) as "Rate", round(1 + (h % 1900) / 10.0, 1) as "Rate before",
            round((h % 1000) / 1000.0, 3) as "Dose", 'mcg/kg/min' as "Dose unit", 50 + h % 450 as "VTBI",
            round((h % 50000) / 100.0, 2) as "Delivered", 45 + h % 60 as "Weight",
            case when h % 3 = 0 then 'pump' else 'user' end as "By",
            case when i % 10 = 8 then case when h % 2 = 0 then 'OCC' else 'BATT' end end as "Alarm"
        from (select r // {of_each} as pump, r % {of_each} as i, hash(r) % 1000003 as h
            from range({pumps * of_each}) t(r)) order by pump, i"""


def generate(path: Path, records: int, *, days: float | None = None) -> None:
    """Write N invented records of 200 pumps, ordered by pump; each pump's over so many days."""
    con = duckdb.connect()
    of_each = max(records // 200, 1)
    step_s = 97 if days is None else max(int(days * 86_400) // of_each, 1)
    select = select_records(200, of_each, step_s=step_s)
    con.execute(f"copy ({select} limit {records}) to '{path}' (header, delimiter ',')")
    con.close()


def raw(path: Path, folder: Path) -> dict[str, float]:
    """Read the file with the engine alone."""
    con = duckdb.connect(config={"memory_limit": "2GiB"})
    con.execute("set enable_progress_bar = false")
    start, used = time.perf_counter(), time.process_time()
    con.execute(
        f"copy (select * from read_csv('{path}', all_varchar = true)) to '{folder / 'raw.parquet'}' "
        "(format parquet, compression zstd)"
    )
    return {"seconds": time.perf_counter() - start, "cpu": time.process_time() - used}


def unchecked(path: Path, folder: Path, *, as_text: bool) -> dict[str, float]:
    """Read the file with pandas and write it as parquet."""
    import pandas as pd

    start, used = time.perf_counter(), time.process_time()
    pd.read_csv(path, dtype=str if as_text else None).to_parquet(
        folder / "unchecked.parquet", compression="zstd"
    )
    return {"seconds": time.perf_counter() - start, "cpu": time.process_time() - used}


def ingest(path: Path, folder: Path, build: bool) -> dict[str, float]:
    """Ingest the file into a fresh site."""
    from dripledger.events import ingest as run
    from dripledger.site import load_site

    site = folder / "site"
    shutil.rmtree(site, ignore_errors=True)
    (site / "sources").mkdir(parents=True)
    (site / "inbox").mkdir()
    (site / "site.toml").write_text(SITE)
    (site / "sources" / "pumps.toml").write_text(MAPPING)
    steps: list[tuple[str, float, float]] = []

    def tell(step: str) -> None:
        steps.append((step, time.perf_counter(), time.process_time()))

    result = run(load_site(site), [path], build=build, progress=tell)
    tell("")
    if not result.balanced or result.failures:
        raise SystemExit(json.dumps(result.as_json()))
    told = {"seconds": steps[-1][1] - steps[0][1], "cpu": steps[-1][2] - steps[0][2]}
    for (step, at, used), (_, after, used_after) in itertools.pairwise(steps):
        told[step] = told.get(step, 0) + after - at
        told[f"{step} (cpu)"] = told.get(f"{step} (cpu)", 0) + used_after - used
    return told


def _peak_mib() -> float:
    """This process's own peak; the resource module's figure is handed down from the parent across exec."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    raise SystemExit("the peak memory is read from /proc/self/status, which this system does not have")


def _told(job: str, path: Path, folder: Path) -> dict[str, float]:
    plain = {
        "raw": raw,
        PANDAS: partial(unchecked, as_text=False),
        PANDAS_TEXT: partial(unchecked, as_text=True),
    }
    told = plain[job](path, folder) if job in plain else ingest(path, folder, job == "build")
    return {**told, "peak_mib": _peak_mib()}


def measure(job: str, path: Path, folder: Path) -> dict[str, float]:
    """Run one job in a process of its own, spawned: never fork after importing the store's library."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=context) as pool:
        return pool.submit(_told, job, path, folder).result()


def main(say: Callable[[str], None] = print) -> None:
    """Measure and print medians."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--records", type=int, default=10_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--build", action="store_true", help="build segments and infusions as well")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        path = folder / "records.csv"
        generate(path, options.records)
        say(f"{options.records} records, {path.stat().st_size / 1e6:.0f} MB, {options.repeats} repeats")
        job = "build" if options.build else "events"
        raws, runs = [], []
        without: dict[str, list[dict[str, float]]] = {PANDAS: [], PANDAS_TEXT: []}
        for _ in range(options.repeats):
            raws.append(measure("raw", path, folder))
            runs.append(measure(job, path, folder))
            for name, told in without.items():
                told.append(measure(name, path, folder))
        unit = [statistics.median(r[key] for r in raws) for key in ("seconds", "cpu")]

        def row(name: str, figures: list[tuple[float, float]]) -> None:
            wall, cpu = (statistics.median(column) for column in zip(*figures, strict=True))
            say(f"{name:<24}{wall:>10.2f}{wall / unit[0]:>8.2f}{cpu:>10.2f}{cpu / unit[1]:>8.2f}")

        say(f"{'step':<24}{'median s':>10}{'ratio':>8}{'cpu s':>10}{'ratio':>8}")
        row("raw read to parquet", [(r["seconds"], r["cpu"]) for r in raws])
        for name, told in without.items():
            row(f"{name}, unchecked", [(r["seconds"], r["cpu"]) for r in told])
        known = ("seconds", "cpu", "peak_mib")
        steps = list(dict.fromkeys(s for r in runs for s in r if s not in known and not s.endswith(" (cpu)")))
        for step in steps:
            row(step, [(r.get(step, 0.0), r.get(f"{step} (cpu)", 0.0)) for r in runs])
        apart = [name for name in ("originals", "build infusions") if name in steps]
        events = [
            (r["seconds"] - sum(r[a] for a in apart), r["cpu"] - sum(r[f"{a} (cpu)"] for a in apart))
            for r in runs
        ]
        row("to committed events", events)
        row("all steps", [(r["seconds"], r["cpu"]) for r in runs])
        say(
            f"peak memory {max(r['peak_mib'] for r in runs):.0f} MiB (raw read "
            f"{max(r['peak_mib'] for r in raws):.0f})"
        )
        note(
            f"ingest of {options.records:,} delimited records to committed events / plain read to parquet",
            [wall / own["seconds"] for (wall, _), own in zip(events, raws, strict=True)],
            most=2.0,
            peak_mib=max(r["peak_mib"] for r in runs),
        )
        for name, told in without.items():
            note(
                f"the same file read and written by {name}, unchecked / that ingest",
                [own["seconds"] / wall for (wall, _), own in zip(events, told, strict=True)],
                least=1.5 if name == PANDAS_TEXT else None,
                peak_mib=max(own["peak_mib"] for own in told),
            )
        # each pump's records spread over many months, for all of which rows wait at once
        generate(path, 2 * options.records, days=_LONG_DAYS)
        spread = measure(job, path, folder)["peak_mib"]
        say(f"peak memory with twice the records, over {_LONG_DAYS} days: {spread:.0f} MiB")
        note(
            f"ingest of {2 * options.records:,} records over {_LONG_DAYS} days: peak memory",
            [spread],
            unit="MiB",
            most=1536,
        )


if __name__ == "__main__":
    main()
