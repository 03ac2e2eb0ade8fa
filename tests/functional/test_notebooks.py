"""The notebooks as scripts, what they stand on, and `dripledger explore` before it starts anything."""

from __future__ import annotations

import ast
import socket
import subprocess
import sys
from collections import Counter
from decimal import Decimal
from pathlib import Path

import pyarrow as pa
import pytest

import dripledger
from dripledger import exploring
from dripledger.errors import UsageError
from tests.functional.conftest import CommandLine, tree_digest
from tests.marks import LONG

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"
REACTIVE = ("explore", "library_review")


@pytest.fixture(scope="module")
def demo(small_demo: Path) -> Path:
    return small_demo / "demo"


def run(cli: CommandLine, folder: Path, name: str, *args: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-W", "error", str(NOTEBOOKS / f"{name}.py"), *map(str, args)]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, env=cli.env, timeout=120)


# with the site named, or the demo where it stands; `explore` with a site named is below and in tests/browser
@pytest.mark.parametrize(
    ("name", "named"),
    [
        ("library_review", True),
        pytest.param("library_review", False, marks=LONG),
        pytest.param("explore", False, marks=LONG),
        pytest.param("explore", True, marks=pytest.mark.slow),
    ],
)
def test_a_notebook_runs_as_a_script(cli: CommandLine, demo: Path, name: str, named: bool) -> None:
    before = tree_digest(demo)
    done = run(cli, cli.folder, name, "--site", demo) if named else run(cli, demo.parent, name)
    assert (done.returncode, done.stderr) == (0, "")
    assert tree_digest(demo) == before, "it only reads"


@pytest.mark.slow
@pytest.mark.merge
def test_a_notebook_on_a_store_without_a_library(cli: CommandLine, filled: Path) -> None:
    assert run(cli, cli.folder, "explore", "--site", filled).returncode == 0
    done = run(cli, cli.folder, "library_review", "--site", filled)
    assert done.returncode != 0
    assert "there is no library to look at" in done.stderr


@pytest.mark.parametrize("name", REACTIVE)
def test_a_notebook_defines_no_logic(name: str) -> None:
    tree = ast.parse((NOTEBOOKS / f"{name}.py").read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        assert not isinstance(node, ast.ClassDef | ast.Lambda | ast.For | ast.While)
        if isinstance(node, ast.FunctionDef):
            assert node.name == "_", "a cell has no name"
            assert [ast.unparse(one) for one in node.decorator_list] == ["app.cell"]
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            assert "select " not in node.value.lower()


def test_every_notebook_is_plain_and_known() -> None:
    assert {path.stem for path in NOTEBOOKS.glob("*.py")} == {*REACTIVE, "tour"}
    assert exploring.notebook_file("explore") == NOTEBOOKS / "explore.py"
    with pytest.raises(UsageError, match="no notebook 'tour'"):
        exploring.notebook_file("tour")


def test_what_is_chosen_is_what_is_listed(demo: Path) -> None:
    with dripledger.open(demo) as store:
        found = exploring.choices(store)
        assert found.months == ("2026-09", "2026-10", "2026-11")
        everything = exploring.Selection(found.months, found.care_areas, found.entries)
        listed = exploring.infusions(store, everything)
        assert listed.num_rows == store.arrow("infusions").num_rows
        some = exploring.Selection(
            ("2026-10",), ("Alder Intensive Care", "none selected"), ("Insulin", "no entry")
        )
        rows = exploring.infusions(store, some).to_pylist()
        assert rows
        assert {row["month"] for row in rows} == {"2026-10"}
        assert {row["entry"] for row in rows} <= {"Insulin", "no entry"}
        # an oracle that knows no SQL
        wanted = [
            row for row in listed.to_pylist()
            if row["month"] == "2026-10" and row["care_area"] in some.care_areas
            and row["entry"] in some.entries
        ]  # fmt: skip
        assert rows == wanted
        use = exploring.use_by_month(store, everything).to_pylist()
        counts = Counter(
            (row["month"], row["library_use"]) for row in listed.to_pylist()
            if row["use_context"] in ("clinical", "unknown")
        )  # fmt: skip
        assert {(row["month"], row["library_use"]): row["infusions"] for row in use} == dict(counts)
        assert all(isinstance(row["running_hours"], Decimal) for row in use)
        nothing = exploring.Selection((), (), ())
        assert exploring.infusions(store, nothing).num_rows == 0
        assert exploring.use_by_month(store, nothing).num_rows == 0
        assert exploring.measure_rows(store, nothing).num_rows == 0


def test_measures_are_those_of_the_store(demo: Path) -> None:
    with dripledger.open(demo) as store:
        some = exploring.Selection(("2026-10",), ("Alder Intensive Care",), ())
        rows = exploring.measure_rows(store, some)
        (row,) = exploring.only_measure(rows, "library_use_starts").to_pylist()
        assert (row["month"], row["care_area"], row["denominator"]) == ("2026-10", "Alder Intensive Care", 86)
        with pytest.raises(UsageError, match="no measure 'nothing'"):
            exploring.only_measure(rows, "nothing")
        for name in exploring.measure_names().values():
            assert "<svg" in exploring.draw_measure(exploring.only_measure(rows, name), name)


def test_one_infusion_with_its_records(demo: Path) -> None:
    with dripledger.open(demo) as store:
        (infusion,) = store.sql(
            "select infusion_id from infusions where entry = 'Insulin'"
            " order by started_at, infusion_id limit 1"
        ).fetchall()
        events = exploring.events_of(store, infusion[0])
        kinds = events["kind"].to_pylist()
        assert kinds[0] == "infusion_started"
        assert all(file.startswith("family_") for file in events["file"].to_pylist())
        assert all(record > 0 for record in events["record"].to_pylist())
        stretches = exploring.stretches_of(store, infusion[0])
        assert stretches["started_local"].to_pylist()[0] == events["at_local"].to_pylist()[0]
        picture = exploring.draw_infusion(stretches, events)
        assert picture == exploring.draw_infusion(stretches, events), "the same rows, the same bytes"
        assert "Rate as logged" in picture
        assert exploring.events_of(store, "nothing").num_rows == 0


def test_a_limit_is_moved(demo: Path) -> None:
    with dripledger.open(demo) as store, exploring.LibraryReview(store) as review:
        assert review.version == "4.3"
        place = next(one for one in review.places if one.entry == "Insulin" and one.side == "high")
        (curve,) = review.curves(place).drawn
        stands = exploring.standing(curve)
        own = [
            row for row in review.found.summary.to_pylist()
            if (row["care_area"], row["entry"]) == (place.care_area, place.entry)
        ]  # fmt: skip
        assert review.move(place, stands).summary.to_pylist() == own, (
            "moved to where it stands: nothing changes"
        )
        lowest = min(curve.table["limit"].to_pylist())
        tighter = review.move(place, lowest).summary.to_pylist()[0]
        assert tighter["alerts_new"] > own[0]["alerts_new"]
        looser = review.move(place, 1e6).summary.to_pylist()[0]
        assert looser["alerts_stay"] <= own[0]["alerts_stay"]
        # what was moved moves nothing for the next question
        assert review.curves(place).drawn[0].table.equals(curve.table)


@pytest.mark.slow
@pytest.mark.merge
def test_limits_of_two_strengths_are_two_places(demo: Path) -> None:
    """Heparin is in the library at 25 and at 50 [IU]/mL: moving one limit leaves the other's values alone."""
    with dripledger.open(demo) as store, exploring.LibraryReview(store) as review:
        places = [one for one in review.places if one.entry == "Heparin" and one.side == "high"
                  and one.care_area == "Elm Medical Ward"]  # fmt: skip
        assert [place.concentration for place in places] == ["25 [IU]/mL", "50 [IU]/mL"]
        assert "25 [IU]/mL" in str(places[0])
        drawn = [review.curves(place).drawn for place in places]
        assert [[curve.concentration for curve in of] for of in drawn] == [["25 [IU]/mL"], ["50 [IU]/mL"]]
        for place, (curve,) in zip(places, drawn, strict=True):
            lowest = min(curve.table["limit"].to_pylist())
            review.move(place, lowest)
            moved = review.curves(place).drawn[0].table
            assert moved.equals(curve.table)
            uses = set(curve.table["uses"].to_pylist())
            assert len(uses) == 1
        assert sum(of[0].table["uses"][0].as_py() for of in drawn) == review.curves(places[0]).uses_drawn + (
            review.curves(places[1]).uses_drawn
        )


def test_a_review_of_some_months(demo: Path) -> None:
    with dripledger.open(demo) as store:
        with exploring.LibraryReview(store, "4.2", ("2026-09", "2026-10")) as review:
            assert (review.version, review.span_text) == ("4.2", "2026-09 to 2026-10")
        with pytest.raises(UsageError, match="neither a file nor a version"):
            exploring.LibraryReview(store, "9.9")
        with pytest.raises(UsageError, match="is before"):
            exploring.LibraryReview(store, None, ("2026-10", "2026-09"))


def test_a_chart_of_nothing_says_so() -> None:
    none = pa.table({name: pa.array([], pa.string()) for name in ("month", "care_area", "library_use")})
    assert "Nothing is chosen" in exploring.draw_measure(none, "library_use_starts")
    assert "No infusion began" in exploring.draw_use(none)


def test_explore_refuses_before_it_starts(cli: CommandLine, filled: Path) -> None:
    if not (NOTEBOOKS.parent / "demo" / "site.toml").exists():  # a developer may have made one
        cli("explore", "--no-browser").refused(2, "no demo", "--site")
    cli("explore", "--site", filled, "--as-of", "7").refused(2, "no version 7")
    cli("explore", "tour").refused(2, "'tour'", "explore")
    cli("explore", "--site", filled, "--library", "4.2").refused(2, "--library", "library_review")
    cli("explore", "library_review", "--site", filled, "--library", "4.2").refused(2, "neither a file")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        cli("explore", "--site", filled, "--port", port).refused(2, port, "--port")


def test_explore_needs_its_extra(cli: CommandLine, filled: Path) -> None:
    (cli.folder / "marimo.py").write_text("raise ModuleNotFoundError(name='marimo')\n", encoding="utf-8")
    cli.apart = True  # it has to find another package than the one that this process may have
    done = cli("explore", "--site", filled, env={"PYTHONPATH": str(cli.folder)})
    done.refused(2, "'marimo'", "dripledger[explore]")
