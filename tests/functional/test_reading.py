"""The store in notebooks and scripts: `dripledger.open`, and the notebook that shows it."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from pathlib import Path

import duckdb
import pandas as pd
import pytest

import dripledger
from dripledger.errors import StoreFormatError, UsageError
from tests.functional.conftest import HEADER, CommandLine, infusion

TOUR = Path(__file__).parents[2] / "notebooks" / "tour.py"


@pytest.fixture
def twice(cli: CommandLine, filled: Path) -> Path:
    """Return a site after a second ingest, with a third infusion on another pump."""
    more = HEADER + infusion("P-2", "2026-10-05T08:00:00", "2026-10-05T08:30:00", 1)
    (filled / "inbox" / "more.csv").write_text(more, encoding="utf-8")
    cli.ok("ingest", "--site", filled)
    return filled


def test_importing_the_package_is_light() -> None:
    code = "import sys, dripledger; print([n for n in ('duckdb', 'pyarrow', 'pydantic') if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_one_table_in_three_forms(filled: Path) -> None:
    with dripledger.open(filled) as store:
        assert store.version == 1
        assert store.committed_at is not None
        assert {"events", "infusions", "commits"} <= set(store.tables)
        relation = store.table("infusions")
        assert isinstance(relation, duckdb.DuckDBPyRelation)
        assert relation.aggregate("count(*)").fetchall() == [(2,)]
        assert store.arrow("infusions").column("pump_id").to_pylist() == ["P-1", "P-1"]
        frame = store.pandas("events")
        assert isinstance(frame, pd.DataFrame)
        assert len(frame) == 4
        answer = store.sql("select sum(running_hours) as h from infusions").fetchall()
        assert float(answer[0][0]) == 2.0


def test_every_table_can_be_read(filled: Path) -> None:
    with dripledger.open(str(filled)) as store:
        for name in store.tables:
            assert store.arrow(name).schema.names == store.table(name).columns


def test_an_older_version_stays_what_it_was(twice: Path) -> None:
    for as_of, version, infusions in ((None, 2, 3), (1, 1, 2), ("1", 1, 2), (dt.date(2999, 1, 1), 2, 3)):
        with dripledger.open(twice, as_of) as store:
            assert store.version == version
            assert store.arrow("infusions").num_rows == infusions


def test_measures_are_those_of_the_command(cli: CommandLine, filled: Path) -> None:
    printed = cli.ok("measures", "--month", "2026-10", "--site", filled, "--format", "csv").out.splitlines()
    with dripledger.open(filled) as store:
        found = store.measures("2026-10")
        assert ",".join(found.columns) == printed[0]
        assert len(found.fetchall()) == len(printed) - 1
        starts = store.measures(["2026-10"], by=["source"]).filter("measure = 'library_use_starts'")
        assert [(float(n), float(d)) for n, d in starts.select("numerator, denominator").fetchall()] == [
            (1, 2)
        ]
        with pytest.raises(UsageError, match="no month"):
            store.measures("October")


def test_what_is_not_there_is_told(filled: Path) -> None:
    with dripledger.open(filled) as store, pytest.raises(UsageError, match=r"no table 'pumps'.*infusions"):
        store.table("pumps")
    with pytest.raises(UsageError, match="no version 9"):
        dripledger.open(filled, 9)


def test_no_store_yet(site: Path) -> None:
    with pytest.raises(StoreFormatError, match="no store"):
        dripledger.open(site)


def test_closing_leaves_nothing_behind(filled: Path) -> None:
    store = dripledger.open(filled)
    assert list((filled / "store" / "spill").iterdir())
    store.close()
    store.close()
    assert not list((filled / "store" / "spill").iterdir())
    with pytest.raises(duckdb.ConnectionException):
        store.arrow("events")


def test_the_tour_runs_on_a_small_store(cli: CommandLine, filled: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", TOUR, filled],
        capture_output=True, text=True, encoding="utf-8", env=cli.env, cwd=cli.folder, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "store version 1" in done.stdout
    assert "infusions: 2 rows" in done.stdout
    assert "library_use_starts" not in done.stdout, "the measure's column is not shown"
    for word in ("2026-10", "ICU", "bypassed", "uncertain_infusions"):
        assert word in done.stdout


def test_the_tour_defines_no_logic() -> None:
    text = TOUR.read_text(encoding="utf-8")
    assert not any(line.lstrip().startswith(("def ", "class ", "lambda")) for line in text.splitlines())
    assert text.count("# %%") >= 5
