"""How fast each shape becomes columns, as a ratio to the engine's own plain read, and in how much memory.

Run ``python -m tests.benchmarks.shapes [--records N] [--repeats R] [--folder DIR] [--large N] [--only X]``.
The same invented records (the ingest benchmark's) are written in every shape. Three tables come out:

- JSON lines and delimited text: the engine's plain read of the file into parquet is the unit; beside it our
  staging (columns with personal fields keyed or masked, records that cannot be split listed), the pass over
  the bytes (hash, count, frames), and the ingest up to committed events.
- XML: events a second from bytes to Arrow columns on one core, as child elements and as attributes.
- Memory: the peak of a process that stages N records and one that stages the larger number.
"""

from __future__ import annotations

import argparse
import gzip
import json
import multiprocessing
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import duckdb
import pyarrow as pa

from tests.benchmarks.figures import note
from tests.benchmarks.ingest import MAPPING, SITE, generate
from tests.benchmarks.ingest import _peak_mib as peak_mib

_TEXT = "delimited"
NAMES = ("Device", "Channel", "Time", "Sequence", "Event", "Area", "Drug", "Library use", "Library",
         "Concentration", "Concentration unit", "Rate", "Rate before", "Dose", "Dose unit", "VTBI",
         "Delivered", "Weight", "By", "Alarm")  # fmt: skip
SHAPES = {
    "json_lines": ("json_lines", ""),
    "json_array": ("json_array", ""),
    "delimited": ("delimited", ""),
    "delimited.gz": ("delimited", ""),
    "windows-1252": ("delimited", 'encoding = "windows-1252"'),
    "xml": ("xml", 'record = "log/event"'),
    "xml attributes": ("xml", 'record = "log/event"'),
    "fixed_width": ("fixed_width", ""),
}
_WIDTH = 24


def _rows(csv: Path) -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.execute(f"create view r as select * from read_csv('{csv}', all_varchar = true)")
    return con


def write(shape: str, csv: Path, path: Path) -> None:
    """Write the records of a delimited file in another shape, a piece at a time."""
    con = _rows(csv)
    if shape == "json_lines":
        con.execute(f"copy r to '{path}' (format json)")
    elif shape == "json_array":
        con.execute(f"copy r to '{path}' (format json, array true)")
    elif shape == "delimited.gz":
        with csv.open("rb") as source, gzip.open(path, "wb", compresslevel=3) as target:
            while block := source.read(1 << 22):
                target.write(block)
    elif shape in ("delimited", "windows-1252"):
        path.symlink_to(csv)
    else:
        with path.open("w", encoding="utf-8") as target:
            if shape.startswith("xml"):
                target.write("<log>\n")
            for batch in con.sql("select * from r").to_arrow_reader(50_000):
                columns = [column.to_pylist() for column in batch.columns]
                target.writelines(line(shape, row) for row in zip(*columns, strict=True))
            if shape.startswith("xml"):
                target.write("</log>\n")
    con.close()


def line(shape: str, row: tuple[str | None, ...]) -> str:
    """Return one record as text."""
    if shape == "xml attributes":
        told = " ".join(f"{_xml(n)}={quoteattr(v)}" for n, v in zip(NAMES, row, strict=True) if v is not None)
        return f"<event {told}/>\n"
    if shape == "xml":
        pairs = [(_xml(n), v) for n, v in zip(NAMES, row, strict=True) if v is not None]
        return "<event>" + "".join(f"<{n}>{escape(v)}</{n}>" for n, v in pairs) + "</event>\n"
    return "".join((v or "").ljust(_WIDTH) for v in row) + "\n"


def _xml(name: str) -> str:
    return name.replace(" ", "_")


def mapping_text(shape: str) -> str:
    """Return the ingest benchmark's mapping for another shape."""
    kind, options = SHAPES[shape]
    if kind == "fixed_width":
        columns = ", ".join(
            f'{{ name = "{n}", start = {i * _WIDTH + 1}, width = {_WIDTH} }}' for i, n in enumerate(NAMES)
        )
        options = f"columns = [{columns}]"
    text = MAPPING.replace('pattern = ["*.csv"]', 'pattern = ["*"]').replace(_TEXT, kind)
    if kind == "xml":
        for name in NAMES:
            text = text.replace(f'"{name}"', f'"{_xml(name)}"')
    return text.replace("[time]", f"[{kind}]\n{options}\n[time]")


def _site(folder: Path, shape: str) -> Path:
    site = folder / "site"
    (site / "sources").mkdir(parents=True)
    (site / "inbox").mkdir()
    (site / "site.toml").write_text(SITE)
    (site / "sources" / "pumps.toml").write_text(mapping_text(shape))
    return site


def raw(shape: str, path: Path, folder: Path) -> dict[str, float]:
    """Read a file with the engine alone."""
    con = duckdb.connect(config={"memory_limit": "2GiB"})
    con.execute("set enable_progress_bar = false")
    reader = f"read_ndjson('{path}')" if shape == "json_lines" else f"read_csv('{path}', all_varchar = true)"
    at = time.perf_counter()
    con.execute(
        f"copy (select * from {reader}) to '{folder / 'raw.parquet'}' (format parquet, compression zstd)"
    )
    return {"seconds": time.perf_counter() - at}


def stage(shape: str, path: Path, folder: Path) -> dict[str, float]:
    """Pass over the bytes, then stage."""
    from dripledger.engine import connect
    from dripledger.site import load_site
    from dripledger.sources import opening, originals, staging
    from dripledger.sources.mapping import load_mappings

    site = load_site(_site(folder, shape))
    (mapping,) = load_mappings(site).values()
    inbound = opening.Inbound(path)
    at = time.perf_counter()
    reading = staging.reading_of(mapping, site.settings.limits)
    opened = opening.opened(inbound, str(path), site.settings.limits)
    original = originals.archive(path, site.originals, reading, opened)
    passed = time.perf_counter() - at
    con = connect(folder / "spill", memory_limit_bytes=1_200_000_000)
    names = iter(range(1_000_000))
    room = staging.StagingRoom(con, folder, None, lambda: f"stage{next(names)}")
    file = staging.SourceFile(0, path, shape, original, None, opening.is_packed(inbound))
    at = time.perf_counter()
    staged = staging.stage(room, mapping, [file])
    seconds = time.perf_counter() - at
    count = con.execute(f"select count(*) from ({staged.select})").fetchall()[0][0]
    if count != original.records or staged.unsplit or staged.failures:
        raise SystemExit(f"{shape}: {count} of {original.records} records staged")
    return {"seconds": seconds, "pass": passed, "records": original.records}


def ingest(shape: str, path: Path, folder: Path) -> dict[str, float]:
    """Ingest up to committed events."""
    from dripledger.events import ingest as run
    from dripledger.site import load_site

    site = load_site(_site(folder, shape))
    steps: list[tuple[str, float]] = []
    at = time.perf_counter()
    result = run(site, [path], build=False, progress=lambda step: steps.append((step, time.perf_counter())))
    seconds = time.perf_counter() - at
    if not result.balanced or result.failures:
        raise SystemExit(json.dumps(result.as_json()))
    passed = steps[1][1] - steps[0][1]
    return {"seconds": seconds - passed, "pass": passed}


def columns(shape: str, path: Path, _: Path) -> dict[str, float]:
    """Read XML from bytes in memory into Arrow columns, on one core."""
    from dripledger.sources.xml_elements import RecordReader
    from dripledger.sources.xml_scan import ElementSplitter

    data, blocks = path.read_bytes(), []
    cutter, at = ElementSplitter(("log", "event")), 0
    began = time.process_time()
    while at < len(data):
        context = cutter.context
        count, consumed = cutter.consume(data[at : at + (4 << 20)], at + (4 << 20) >= len(data))
        blocks.append((context, data[at : at + consumed], count))
        at += consumed
    counted = time.process_time() - began
    fields = [_xml(n) for n in NAMES]
    reader, splitter, rows = RecordReader(("log", "event"), fields), ElementSplitter(("log", "event")), 0
    began = time.process_time()
    for context, block, count in blocks:
        splitter.resume(context)
        found = [row for row in reader.read(block, splitter, count) if row is not None]
        if not found:
            continue
        arrays = [pa.array(column, pa.string()) for column in zip(*found, strict=True)]
        rows += len(pa.RecordBatch.from_arrays(arrays, names=fields))
    return {"seconds": time.process_time() - began, "pass": counted, "records": rows}


JOBS: dict[str, Callable[[str, Path, Path], dict[str, float]]] = {
    "raw": raw, "stage": stage, "ingest": ingest, "columns": columns,
}  # fmt: skip


def _child(queue: multiprocessing.Queue[dict[str, float]], job: str, shape: str, path: Path) -> None:
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        told = JOBS[job](shape, path, Path(folder))
    queue.put({**told, "peak_mib": peak_mib()})


def measure(job: str, shape: str, path: Path, repeats: int = 1) -> dict[str, float]:
    """Run one job in processes of its own; return medians."""
    context = multiprocessing.get_context("spawn")
    runs = []
    for _ in range(repeats):
        queue: multiprocessing.Queue[dict[str, float]] = context.Queue()
        process = context.Process(target=_child, args=(queue, job, shape, path))
        process.start()
        while queue.empty() and process.is_alive():
            time.sleep(0.05)
        if process.exitcode:
            raise SystemExit(f"{shape}: the {job} failed")
        runs.append(queue.get())
        process.join()
    return {key: statistics.median(run[key] for run in runs) for key in runs[0]}


def main(say: Callable[[str], None] = print) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--records", type=int, default=1_000_000)
    parser.add_argument("--large", type=int, default=0, help="records of the memory run's larger file")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--only", default="", help="shapes whose name holds this")
    options = parser.parse_args()
    shapes = [shape for shape in SHAPES if options.only in shape]
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        csv = folder / "records.csv"
        generate(csv, options.records)
        units: dict[str, float] = {}
        say(f"{options.records} records, medians of {options.repeats}")
        heads = ("MB", "pass s", "stage s", "records/s", "ratio", "ingest", "MiB")
        widths = (8, 8, 8, 11, 7, 8, 7)
        say(f"{'shape':<16}" + "".join(f"{h:>{w}}" for h, w in zip(heads, widths, strict=True)))
        for shape in shapes:
            path = folder / f"log {shape}"
            write(shape, csv, path)
            base = "json_lines" if shape.startswith("json") else "delimited"
            if base not in units:
                source = path if base == shape else folder / "unit"
                if base != shape:
                    write(base, csv, source)
                units[base] = measure("raw", base, source, options.repeats)["seconds"]
            told = measure("stage", shape, path, options.repeats)
            whole = measure("ingest", shape, path, 1)
            say(
                f"{shape:<16}{path.stat().st_size / 1e6:>8.0f}{told['pass']:>8.2f}{told['seconds']:>8.2f}"
                f"{told['records'] / told['seconds']:>11,.0f}{told['seconds'] / units[base]:>7.2f}"
                f"{whole['seconds'] / units[base]:>8.2f}{told['peak_mib']:>7.0f}"
            )
            if shape.startswith("xml"):
                read = measure("columns", shape, path, options.repeats)
                note(
                    f"{shape}: bytes to columns on one core",
                    [read["records"] / read["seconds"]], unit="events/s", least=80_000,
                )  # fmt: skip
                say(
                    f"{'':<16}bytes to columns {read['records'] / read['seconds']:,.0f} events/s of one "
                    f"core, count on the bytes {read['records'] / read['pass']:,.0f}"
                )
            else:
                note(f"{shape}: staging / plain read of {base}", [told["seconds"] / units[base]], most=3.0)
            path.unlink()
        say("ratio: staging to the engine's plain read of " + ", ".join(
            f"{base} ({seconds:.2f} s)" for base, seconds in units.items()
        ) + "; ingest: the same for all steps after the pass")  # fmt: skip
        if options.large:
            _memory(say, folder, shapes, options.records, options.large)


def _memory(say: Callable[[str], None], folder: Path, shapes: list[str], small: int, large: int) -> None:
    say(f"{'peak MiB':<16}{small:>12,}{large:>12,}")
    peaks: dict[str, list[float]] = {shape: [] for shape in shapes}
    for records in (small, large):
        csv = folder / f"records{records}.csv"
        generate(csv, records)
        for shape in shapes:
            path = folder / f"log {shape}"
            write(shape, csv, path)
            peaks[shape].append(measure("stage", shape, path)["peak_mib"])
            path.unlink()
        csv.unlink()
    for shape, (first, second) in peaks.items():
        say(f"{shape:<16}{first:>12.0f}{second:>12.0f}")


if __name__ == "__main__":
    main()
