"""How long a report takes: ``python -m tests.benchmarks.report [SITE]``.

Without a site an invented hospital of 12 care areas and 14 months is made first (not timed). Prints seconds
of processor and of the clock, the share of figures, PDF and workbook, the largest page and the whole folder.
"""

from __future__ import annotations

import cProfile
import pstats
import sys
import tempfile
import time
from pathlib import Path

from dripledger.events.ingest import ingest
from dripledger.hospital import generate
from dripledger.reports import write_report
from dripledger.site import load_site
from tests.benchmarks.figures import note

PUMPS, MONTHS, SEED = 24, 14, 3
MONTH = "2026-10"


def main(given: str | None = None) -> None:
    """Measure one report, then once more with a profile for the shares."""
    with tempfile.TemporaryDirectory(prefix="dripledger-bench-") as folder:
        root = Path(given) if given else Path(folder) / "site"
        if not given:
            generate(root, PUMPS, MONTHS, SEED)
            ingest(load_site(root))
        site = load_site(root)
        out = Path(folder) / "report"
        processor, clock = time.process_time(), time.perf_counter()
        write_report(site, MONTH, out)
        processor, clock = time.process_time() - processor, time.perf_counter() - clock
        sizes = {path: path.stat().st_size for path in out.rglob("*") if path.is_file()}
        largest = max((path for path in sizes if path.suffix == ".html"), key=sizes.__getitem__)
        areas = sum(1 for path in sizes if path.parent.name == "areas")
        print(f"{areas} care areas, {len(sizes)} files, {sum(sizes.values()) / 1e6:.1f} MB")
        print(f"{processor:.1f} s of processor, {clock:.1f} s by the clock")
        note(f"report of {areas} care areas and {MONTHS} months", [clock], unit="s", most=15)
        print(f"largest page: {largest.relative_to(out)}, {sizes[largest] / 1e3:.0f} kB")
        profile = cProfile.Profile()
        profile.runcall(write_report, site, MONTH, out)
    _shares(profile)


def _shares(profile: cProfile.Profile) -> None:
    found: dict[str, float] = {}
    figures = 0
    stats = pstats.Stats(profile)
    total = stats.total_tt  # type: ignore[attr-defined]
    for (file, _, name), (_, calls, _, whole, _) in stats.stats.items():  # type: ignore[attr-defined]
        if file.endswith("reports/draw.py") and name in ("control_chart", "funnel"):
            found["figures"] = found.get("figures", 0.0) + whole
            figures += calls
        for one in ("render_paper", "render_workbook"):
            if name == one:
                found[one] = whole
    for name, seconds in found.items():
        print(f"{name}: {100 * seconds / total:.0f} % of the profiled time")
    if figures:
        print(f"{figures} figures, {1000 * found['figures'] / figures:.0f} ms each under the profile")


if __name__ == "__main__":
    main(*sys.argv[1:])
