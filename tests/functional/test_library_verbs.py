"""The verbs of the drug library on a small real site: what they print, refuse and leave behind."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from tests.functional.conftest import CommandLine, make_site
from tests.library_samples import write_library

HEADER = (
    "pump_id,channel,device_time,sequence,kind,care_area,entry,library_use,library_version,rate_ml_h,limit_kind,"
    "limit_side,limit_quantity,limit_value,entered_value,limit_unit\n"
)
#: Morphine at 10 mL/h; 41 warned about (soft, 20) and overridden; 100 stopped (hard, 50) and brought to 18.
LOG = (
    HEADER
    + """\
P-1,A,2026-10-01T08:00:00,1,infusion_started,ICU,morphine,limited,7,10,,,,,,
P-1,A,2026-10-01T08:30:00,2,limit_alerted,ICU,morphine,,7,,soft,high,flow_rate,20,41,mL/h
P-1,A,2026-10-01T08:30:05,3,limit_overridden,ICU,morphine,,7,,soft,high,flow_rate,20,41,mL/h
P-1,A,2026-10-01T08:30:06,4,rate_changed,ICU,morphine,,7,41,,,,,,
P-1,A,2026-10-01T09:30:00,5,limit_alerted,ICU,morphine,,7,,hard,high,flow_rate,50,100,mL/h
P-1,A,2026-10-01T09:30:09,6,rate_changed,ICU,morphine,,7,18,,,,,,
P-1,A,2026-10-01T11:00:00,7,infusion_stopped,ICU,,,7,,,,,,,
"""
)
SEVEN = """
| version | published_at | care_area | entry    | quantity  | soft_high | hard_high |
| 7       | 2026-09-01   | ICU       | morphine | flow_rate | 20        | 50        |
"""
EIGHT = SEVEN.replace("| 7       ", "| 8       ").replace(
    "| 20        | 50        |", "| 30        | 15        |"
)
LOOSER = SEVEN.replace("| 7       ", "| 8       ").replace(
    "| 20        | 50        |", "| 45        | 120       |"
)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> CommandLine:
    folder = tmp_path_factory.mktemp("library verbs")
    root = folder / "my site"
    make_site(root)
    (root / "libraries").mkdir()
    write_library(root / "libraries" / "seven.csv", SEVEN)
    write_library(folder / "broken.csv", EIGHT)
    write_library(folder / "looser.csv", LOOSER)
    (root / "inbox" / "october.csv").write_text(LOG, encoding="utf-8")
    cli = CommandLine(folder, folder)
    cli.ok("ingest", "--site", root)
    return cli


def _rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_check_says_what_is_wrong_and_fails(run: CommandLine) -> None:
    done = run("library", "check", "broken.csv", "--site", "my site")
    done.refused(5, "the library has errors")
    (first, *_) = _rows(done.out)
    assert (first["severity"], first["check"], first["row"]) == ("error", "limits_out_of_order", "2")
    sound = run.ok("library", "check", "--site", "my site")
    assert "0 errors" in sound.err
    assert "does not say what a limit should be" in sound.err


def test_compare_takes_versions_and_files(run: CommandLine) -> None:
    done = run.ok("library", "compare", "7", "looser.csv", "--site", "my site")
    assert [(r["change"], r["what"], r["old"], r["new"]) for r in _rows(done.out)] == [
        ("loosened", "soft_high", "20.0", "45.0"),
        ("loosened", "hard_high", "50.0", "120.0"),
    ]
    assert "2 loosened, 0 tightened" in done.err


def test_replay_of_what_was_in_force_and_of_a_proposal(run: CommandLine) -> None:
    """In force: both alerts stay. Soft 45, hard 120: 41 falls away, 100 is no longer stopped."""
    (row,) = _rows(run.ok("library", "replay", "in-force", "--site", "my site").out)
    names = ("uses", "alerts_logged", "alerts_stay", "alerts_fall_away", "alerts_new", "hard_to_soft")
    assert [row[name] for name in names] == ["3", "2", "2", "0", "0", "0"]
    done = run.ok("library", "replay", "looser.csv", "--site", "my site")
    (row,) = _rows(done.out)
    assert [row[name] for name in names] == ["3", "2", "1", "1", "0", "1"]
    for words in ("no advice on a dose", "lower bound", "may act differently", "Past use includes errors"):
        assert words in done.err


def test_the_curve_is_a_table_and_a_figure(run: CommandLine) -> None:
    place = ("--area", "ICU", "--entry", "morphine", "--quantity", "flow_rate", "--site", "my site")
    done = run.ok("library", "replay", "looser.csv", *place, "--figure", "curve.svg")
    typed = ("--area", "icu", "--entry", "Morphine", "--quantity", "flow_rate", "--site", "my site")
    folded = run.ok("library", "replay", "looser.csv", *typed)
    assert (folded.out, folded.err) == (done.out, done.err)
    assert "Of morphine in ICU 3 of 3 uses" in folded.err
    typed = ("--area", "ICU", "--entry", "morfine", "--quantity", "flow_rate", "--site", "my site")
    run("library", "replay", "looser.csv", *typed).refused(2, "Near 'morfine': morphine")
    assert [(r["limit"], r["alerts"], r["within_still_warned"]) for r in _rows(done.out)] == [
        ("20.0", "2", "1"), ("41.0", "1", "1"), ("45.0", "1", "1"), ("100.0", "0", "0"), ("120.0", "0", "0"),
    ]  # fmt: skip
    drawn = (run.folder / "curve.svg").read_bytes()
    assert b"morphine, ICU" in drawn
    run.ok("library", "replay", "looser.csv", *place, "--figure", "again.svg")
    assert (run.folder / "again.svg").read_bytes() == drawn


def test_a_table_is_rounded_and_names_what_is_empty_and_csv_holds_all(run: CommandLine) -> None:
    """Past 20 are 2 of 3 uses: 66.67 per 100."""
    place = ("--area", "ICU", "--entry", "morphine", "--quantity", "flow_rate", "--site", "my site")
    done = run.ok("library", "replay", "looser.csv", *place, "--format", "table")
    assert " 66.67 " in done.out
    assert "within_still_warned" in done.out
    assert "66.66666666666667" in run.ok("library", "replay", "looser.csv", *place).out
    attention = ("library", "attention", "--site", "my site", "--list", "limits")
    done = run.ok(*attention, "--format", "table")
    assert "attempts_hard" in done.out
    assert "Empty or 0 in every row, and not shown: override_share, " in done.err
    assert "settles_on_one_value" in run.ok(*attention).out


def test_attention_lists_and_a_folder_with_cautions(run: CommandLine) -> None:
    done = run.ok("library", "attention", "--site", "my site", "--out", "lists", "--list", "limits")
    assert {(r["limit_value"], r["attempts"]) for r in _rows(done.out)} == {("20.0", "1"), ("50.0", "1")}
    written = sorted(path.name for path in (run.folder / "lists").iterdir())
    assert written == sorted([
        "cautions.txt", "entries.csv", "pareto.csv", "limits.csv", "cases.csv", "slips.csv", "chance.csv",
        "concentrations.csv", "unused.csv",
    ])  # fmt: skip
    cautions = (run.folder / "lists" / "cautions.txt").read_text(encoding="utf-8")
    assert "not persons" in cautions
    before = {p.name: p.read_bytes() for p in (run.folder / "lists").iterdir()}
    run.ok("library", "attention", "--site", "my site", "--out", "lists")
    assert {p.name: p.read_bytes() for p in (run.folder / "lists").iterdir()} == before


def test_uptake_and_months(run: CommandLine) -> None:
    """The only pump is heard first after the release, nobody knows how long it took. Times are the site's."""
    ask = ("library", "uptake", "--month", "2026-10", "--site", "my site")
    (row,) = _rows(run.ok(*ask).out)
    assert (row["library_version"], row["pumps"], row["pumps_reached"], row["pumps_left_out"]) == (
        "7", "0", "0", "1",
    )  # fmt: skip
    assert row["note"] == "no pump was heard before it was there"
    assert row["available_at"] == "2026-09-01T00:00:00+01:00"
    (row,) = _rows(run.ok(*ask, "--list", "pumps").out)
    assert row["first_seen_at"] == "2026-10-01T08:00:00+01:00"


@pytest.mark.slow
@pytest.mark.merge
def test_a_review_closes_a_case(run: CommandLine) -> None:
    """41 was confirmed past a limit of 20: 2.05 times, a far override; its id is that of its first alert."""
    ask = ("library", "attention", "--list", "cases", "--site", "my site")
    (case,) = _rows(run.ok(*ask).out)
    assert (case["what"], case["times_limit"], case["status"], case["source_record"]) == (
        "far_override", "2.05", "open", "2",
    )  # fmt: skip
    assert case["shift"] == "08-16"
    assert "08:30" not in ",".join(case.values())
    reviews: Path = run.folder / "my site" / "reviews.csv"
    try:
        reviews.write_text(
            f"case,disposition,date\n{case['case_id']},intended,2026-10-20\n", encoding="utf-8"
        )
        (closed,) = _rows(run.ok(*ask).out)
        assert (closed["status"], closed["disposition"], closed["case_id"]) == (
            "closed",
            "intended",
            case["case_id"],
        )
        reviews.write_text("case,disposition,date\nabcd,slip,2026-10-05\n", encoding="utf-8")
        done = run.ok(*ask)
        assert [row["status"] for row in _rows(done.out)] == ["open"]
        told = "reviews.csv names 1 case that no record of this store has, so it closes nothing: "
        told += "abcd (row 2)."
        assert told in done.err
        report = run.ok("report", "--month", "2026-10", "--site", "my site")
        assert report.err.splitlines().count(told) == 1
        status = run.ok("status", "--site", "my site")
        assert "store,reviews_unknown,abcd (row 2)" in status.out
        reviews.write_text(f"case,disposition,date\n{case['case_id']},slip,2026-10-05\n", encoding="utf-8")
        assert "reviews.csv" not in run.ok("report", "--month", "2026-10", "--site", "my site").err
        assert "store,reviews_unknown,\n" in run.ok("status", "--site", "my site").out
        reviews.write_text("case,disposition,date\nx,perhaps,2026-10-05\n", encoding="utf-8")
        run(*ask).refused(2, "reviews.csv, row 2", "'perhaps'", "artefact")
    finally:
        reviews.unlink()


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["repaly"], ["'repaly'", "'replay'"]),
        (["replay"], ["replay takes the proposed library"]),
        (["compare", "7"], ["compare takes two libraries"]),
        (["compare", "7", "9"], ["neither a file nor a version", "There are: 7"]),
        (["check", "--month", "last"], ["check has no option '--month'"]),
        (["attention", "--figure", "x.svg"], ["attention has no option '--figure'"]),
        (["replay", "7", "--area", "ICU"], ["--area, --entry and --quantity"]),
        (["attention", "--list", "nurses"], ["no list 'nurses'", "pareto"]),
        (
            ["replay", "7", "--area", "ICU", "--entry", "tea", "--quantity", "volume"],
            ["no limit on volume of 'tea' in 'ICU'", "Its entries of 'ICU': morphine"],
        ),
        (["attention", "--month", "2031-01"], ["2031-01", "outside"]),
    ],
)
def test_what_is_refused(run: CommandLine, args: list[str], words: list[str]) -> None:
    run("library", *args, "--site", "my site").refused(2, *words)


def test_what_one_source_cannot_log_another_of_the_same_pump_may(cli: CommandLine) -> None:
    """Ten starts by one source, one warned about and overridden by another: 10 alerts per 100 uses."""
    root = cli.folder / "two sources"
    make_site(root)
    plain = root / "sources" / "plain.toml"
    told = plain.read_text(encoding="utf-8").replace("sequence_reliable = true", "sequence_reliable = false")
    plain.unlink()
    for name, kinds in (
        ("deliveries", '["infusion_started", "infusion_stopped"]'),
        ("warnings", '["limit_alerted", "limit_overridden"]'),
    ):
        text = told.replace('["*.csv"]', f'["{name}*.csv"]').replace('["all"]', kinds)
        (root / "sources" / f"{name}.toml").write_text(text, encoding="utf-8")
    (root / "libraries").mkdir()
    write_library(root / "libraries" / "seven.csv", SEVEN)
    starts = [
        f"P-1,A,2026-10-{day:02}T08:00:10,,infusion_started,ICU,morphine,limited,7,{rate},,,,,,\n"
        f"P-1,A,2026-10-{day:02}T09:00:00,,infusion_stopped,ICU,,,7,,,,,,,\n"
        for day, rate in enumerate([41, *[10] * 9], 1)
    ]
    warned = [
        f"P-1,A,2026-10-01T08:00:0{second},,{kind},ICU,morphine,,7,,soft,high,flow_rate,20,41,mL/h\n"
        for second, kind in ((1, "limit_alerted"), (5, "limit_overridden"))
    ]
    (root / "inbox" / "deliveries.csv").write_text(HEADER + "".join(starts), encoding="utf-8")
    (root / "inbox" / "warnings.csv").write_text(HEADER + "".join(warned), encoding="utf-8")
    cli.ok("ingest", "--site", root)
    place = ["--area", "ICU", "--entry", "morphine", "--quantity", "flow_rate"]
    at_20 = next(
        row
        for row in _rows(cli.ok("library", "replay", "7", *place, "--site", root).out)
        if row["limit"] == "20.0"
    )
    assert (at_20["alerts"], at_20["uses"], at_20["alerts_per_100_uses"]) == ("1", "10", "10.0")
    (row,) = _rows(cli.ok("library", "attention", "--list", "entries", "--site", root).out)
    assert (row["uses"], row["limit_alerts"], row["left_out_unable"]) == ("10", "1", "0")


def test_a_warning_before_the_first_start_of_a_release_belongs_to_it(cli: CommandLine) -> None:
    """The log names the version at starts alone: the attempt of 2 October and its start are one use of 8."""
    root = cli.folder / "first start"
    make_site(root)
    (root / "libraries").mkdir()
    for version, limit in (("7", 50), ("8", 70)):
        write_library(
            root / "libraries" / f"{version}.csv",
            SEVEN.replace("| 7       ", f"| {version}       ").replace(
                "| 20        | 50 ", f"| {limit} | 100 "
            ),
        )
    rows = [
        "2026-10-01T08:00:00,1,infusion_started,ICU,morphine,limited,7,40,,,,,,",
        "2026-10-01T09:00:00,2,infusion_stopped,ICU,,,,,,,,,,",
        "2026-10-02T08:00:00,3,limit_alerted,ICU,morphine,,,,soft,high,flow_rate,70,80,mL/h",
        "2026-10-02T08:00:05,4,limit_overridden,ICU,morphine,,,,soft,high,flow_rate,70,80,mL/h",
        "2026-10-02T08:00:10,5,infusion_started,ICU,morphine,limited,8,80,,,,,,",
        "2026-10-02T09:00:00,6,infusion_stopped,ICU,,,,,,,,,,",
    ]
    log = HEADER + "".join(f"P-1,A,{row}\n" for row in rows)
    (root / "inbox" / "october.csv").write_text(log, encoding="utf-8")
    cli.ok("ingest", "--site", root)
    (row,) = _rows(cli.ok("library", "uptake", "--list", "effect", "--site", root).out)
    names = ("alerts_before", "overridden_before", "alerts_after", "overridden_after", "outcome_known_after")
    assert [row[name] for name in names] == ["0", "0", "1", "1", "1"]
