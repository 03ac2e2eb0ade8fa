"""From a listed case to its trace: the command that a report, its workbook and a list print works."""

from __future__ import annotations

import csv
import html
import io
import json
import re
import shlex
import zipfile
from pathlib import Path

import pytest
from python_calamine import CalamineWorkbook

from tests.functional.conftest import CommandLine
from tests.functional.test_trace import site_with

HEADER = (
    "pump_id,channel,device_time,sequence,kind,care_area,entry,library_use,library_version,rate_ml_h,"
    "limit_kind,limit_side,limit_quantity,limit_value,entered_value,limit_unit\n"
)
#: 100 mL/h over a limit of 20, confirmed; then 5 mL/h made 50 by a user. Channel ids are what a log wrote.
LOG = HEADER + (
    "P-1,A b;,2026-10-01T07:59:00,1,care_area_selected,ICU,,,,,,,,,,\n"
    "P-1,A b;,2026-10-01T08:00:00,2,limit_alerted,ICU,morphine,limited,4.2,,soft,high,flow_rate,20,100,mL/h\n"
    "P-1,A b;,2026-10-01T08:00:10,3,limit_overridden,ICU,morphine,limited,,,soft,high,flow_rate,20,100,mL/h\n"
    "P-1,A b;,2026-10-01T08:00:12,4,infusion_started,ICU,morphine,limited,4.2,100,,,,,,\n"
    "P-1,A b;,2026-10-01T09:00:12,5,infusion_stopped,ICU,morphine,limited,4.2,,,,,,,\n"
    "P-1,A b;,2026-10-02T08:00:00,6,infusion_started,ICU,morphine,limited,4.2,5,,,,,,\n"
    "P-1,A b;,2026-10-02T09:00:00,7,rate_changed,ICU,morphine,limited,4.2,50,,,,,,\n"
    "P-1,A b;,2026-10-02T10:00:00,8,infusion_stopped,ICU,morphine,limited,4.2,,,,,,,\n"
    "P-1,A b;,2026-11-03T10:00:00,9,powered_off,,,,,,,,,,,\n"
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cases")
    cli = CommandLine(folder, folder)
    root = site_with(cli, "site", LOG)
    cli.ok("report", "--month", "2026-10", "--site", root)
    cli.ok("report", "--month", "2026-10", "--share", "--site", root)
    return root


def printed(text: str) -> list[str]:
    """Return the command that a page prints once, with the id of each case that it lists."""
    (command,) = re.findall(r"<code[^>]*>(dripledger trace [^<]*)</code>", text)
    assert command == "dripledger trace --case ID"
    ids = re.findall(r'<td[^>]*data-label="Case"[^>]*><code>([^<]*)</code></td>', text)
    return [command.replace("ID", shlex.quote(html.unescape(case))) for case in ids]


def told(cli: CommandLine, site: Path, command: str, *more: str) -> dict[str, object]:
    program, *words = shlex.split(command)
    assert program == "dripledger"
    done = cli(*words, *more, "--site", site, "--json")
    assert done.code == 0, done.err
    document = json.loads(done.out)
    assert isinstance(document, dict)
    return document


def test_the_command_of_a_page_shows_what_the_pump_of_each_case_did(cli: CommandLine, site: Path) -> None:
    report = site / "reports" / "2026-10"
    commands = printed((report / "cases.html").read_text(encoding="utf-8"))
    assert len(commands) == 2
    override, change = (told(cli, site, command) for command in commands)
    assert override["pump_id"] == change["pump_id"] == "P-1"
    # 08:00 and 08:00:10 local, a quarter of an hour round them; and round what ran at the changed rate
    assert override["at"] == "2026-10-01T07:00:00Z"
    assert override["window"]["asked_from"] == "2026-10-01T06:45:00Z"
    assert override["window"]["asked_to"] == "2026-10-01T07:15:10Z"
    assert change["at"] == "2026-10-02T08:00:00Z"
    assert change["window"]["asked_from"] == "2026-10-02T07:45:00Z"
    assert change["window"]["asked_to"] == "2026-10-02T09:15:00Z"
    assert any("tenfold" in line["what"] for line in change["lines"])
    # in the workbook, with the id itself; and on no page that others get
    book = CalamineWorkbook.from_filelike(io.BytesIO((report / "report.xlsx").read_bytes()))
    head, *rows = book.get_sheet_by_name("Cases").to_python()
    assert [row[head.index("trace")] for row in rows] == commands
    assert all(row[head.index("case_id")] in row[head.index("trace")] for row in rows)
    for path in sorted((site / "reports" / "2026-10-shared").rglob("*")):
        if path.suffix in (".html", ".csv", ".json"):
            assert "trace --case" not in path.read_text(encoding="utf-8"), path
        if path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as archive:
                assert not any(b"--case" in archive.read(name) for name in archive.namelist())


def test_a_page_of_cases_shows_no_time_with_it(site: Path) -> None:
    text = (site / "reports" / "2026-10" / "cases.html").read_text(encoding="utf-8")
    assert not re.search(r"08:00|07:00|09:00", text)


def test_the_list_of_what_to_look_at_leads_to_the_same(cli: CommandLine, site: Path) -> None:
    for name in ("cases", "slips"):
        out = cli.ok("library", "attention", "--list", name, "--month", "2026-10", "--site", site).out
        for row in csv.DictReader(io.StringIO(out)):
            assert told(cli, site, row["trace"])["pump_id"] == "P-1"
        if name == "cases":
            assert row["case_id"] in row["trace"]


@pytest.mark.slow
@pytest.mark.merge
def test_a_case_takes_what_else_a_trace_takes_and_makes_the_packet_of_its_window(
    cli: CommandLine, site: Path, tmp_path: Path
) -> None:
    case = cli.ok("query", "select attempt_id from attempts", "--site", site).out.split()[1]
    packet, same = tmp_path / "case.zip", tmp_path / "same.zip"
    cli.ok("trace", "--case", case, "--out", packet, "--site", site)
    cli.ok("trace", "--pump", "P-1", "--from", "2026-10-01T07:45", "--to", "2026-10-01T08:15:10",
           "--at", "2026-10-01T08:00", "--out", same, "--site", site)  # fmt: skip
    assert packet.read_bytes() == same.read_bytes()
    assert cli("verify", packet, "--site", site).code == 0
    document = told(cli, site, f"dripledger trace --case {case}", "--at", "2026-10-01T08:00:10")
    assert document["at"] == "2026-10-01T07:00:10Z"
    event = cli.ok("query", "select event_id from events where sequence = 7", "--site", site).out.split()[1]
    assert told(cli, site, f"dripledger trace --case {event}")["at"] == "2026-10-02T08:00:00Z"
    # an infusion, by which reviews once named what happened in it
    infusion = cli.ok(
        "query", "select infusion_id from infusions order by started_at desc", "--site", site
    ).out.split()[1]
    whole = told(cli, site, f"dripledger trace --case {infusion}")
    assert whole["at"] is None
    assert whole["window"]["asked_from"] == "2026-10-02T07:00:00Z"
    assert whole["window"]["asked_to"] == "2026-10-02T09:00:00Z"


def test_what_is_no_case_and_what_does_not_go_with_one_is_refused(cli: CommandLine, site: Path) -> None:
    done = cli("trace", "--case", "'; drop table events", "--site", site)
    assert done.code == 2
    assert "no case of that id" in done.err
    done = cli("trace", "--case", "x", "--pump", "P-1", "--site", site)
    assert done.code == 2
    assert "takes no --pump" in done.err
    done = cli("trace", "--similar", "rate_step:x", "--case", "x", "--site", site)
    assert done.code == 2


@pytest.mark.parametrize("at", [True, False])
def test_the_packet_names_what_is_in_it_and_nothing_else(
    cli: CommandLine, site: Path, tmp_path: Path, at: bool
) -> None:
    more = ("--at", "2026-10-01T08:00") if at else ()
    for day in ("01", "20"):
        window = ("--from", f"2026-10-{day}T07:45", "--to", f"2026-10-{day}T08:15")
        packet = tmp_path / "packet.zip"
        cli.ok("trace", "--pump", "P-1", *window, *more, "--out", packet, "--site", site)
        with zipfile.ZipFile(packet) as archive:
            names = set(archive.namelist())
            text = archive.read("README.txt").decode()
        contents = text[text.index("What is in it") : text.index("Records behind it")]
        named = set(re.findall(r"[a-z_]+(?:\.[a-z0-9]+|/)", contents.replace("SHA-256", "")))
        folders = {f"{name.split('/')[0]}/" for name in names if "/" in name}
        assert named == {name for name in names if "/" not in name} - {"README.txt"} | folders
