"""Which months the command line measures: open ends, months outside the store, unbuilt infusions."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.functional.conftest import HEADER, CommandLine, infusion
from tests.marks import LONG


@pytest.fixture(scope="module")
def three_once(read_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the tiny site logs of August and September beside October: made once, copied for each test."""
    folder = tmp_path_factory.mktemp("three months")
    site = folder / "my site"
    shutil.copytree(read_once, site)
    rows = [
        infusion("P-9", f"2026-{month}-05T08:00:00", f"2026-{month}-05T08:30:00", 1 + 2 * place)
        for place, month in enumerate(("08", "09"))
    ]
    (site / "inbox" / "earlier.csv").write_text(HEADER + "".join(rows), encoding="utf-8")
    CommandLine(folder, folder).ok("ingest", "--site", site)
    return site


@pytest.fixture
def three(cli: CommandLine, three_once: Path) -> Path:
    root = cli.folder / "my site"
    shutil.copytree(three_once, root)
    return root


@pytest.mark.parametrize(
    ("options", "months"),
    [
        (["--from", "2026-09"], {"2026-09", "2026-10"}),
        pytest.param(["--to", "2026-09"], {"2026-08", "2026-09"}, marks=LONG),
        (["--from", "2026-09", "--to", "2026-09"], {"2026-09"}),
        pytest.param([], {"2026-08", "2026-09", "2026-10"}, marks=LONG),
    ],
)
def test_an_open_end_reaches_as_far_as_the_store(
    cli: CommandLine, three: Path, options: list[str], months: set[str]
) -> None:
    rows = cli.ok("measures", "--site", three, *options, "--json").json
    assert {row["month"] for row in rows} == months


@pytest.mark.parametrize("option", ["--month", "--from", "--to"])
def test_a_month_outside_is_refused_with_the_span(cli: CommandLine, three: Path, option: str) -> None:
    cli("measures", "--site", three, option, "2026-12").refused(2, option, "2026-08 to 2026-10")


def test_a_report_outside_is_refused_with_the_span(cli: CommandLine, three: Path) -> None:
    cli("report", "--site", three, "--month", "1999-01").refused(2, "1999-01", "2026-08 to 2026-10")
    assert not (three / "reports" / "1999-01").exists()


def test_events_without_infusions_are_refused_until_an_ingest_builds_them(
    cli: CommandLine, three: Path
) -> None:
    more = HEADER + infusion("P-8", "2026-10-07T08:00:00", "2026-10-07T08:30:00", 1)
    (three / "inbox" / "more.csv").write_text(more, encoding="utf-8")
    cli.ok("ingest", "--site", three, "--no-build")
    cli("measures", "--site", three).refused(2, "not been built", "dripledger ingest")
    cli("report", "--site", three, "--month", "2026-10").refused(2, "not been built", "dripledger ingest")
    cli("query", "--site", three, "select * from measures").refused(2, "not been built")
    cli.ok("ingest", "--site", three)
    cli.ok("measures", "--site", three)
