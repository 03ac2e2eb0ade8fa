"""`map draft` and `map try` on the command line, and the way from an unknown export to a balanced ledger."""

from __future__ import annotations

import csv
import io
import json
import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.dialects import DIALECTS, german
from tests.functional.conftest import CommandLine
from tests.marks import LONG


@pytest.fixture
def export(cli: CommandLine) -> Path:
    told = german()
    path = cli.folder / told.name
    path.write_bytes(told.data)
    return path


#: The draft of that export, the same for every test: made once.
_DRAFTS: dict[bytes, str] = {}


def _drafted(cli: CommandLine, export: Path) -> Path:
    data = export.read_bytes()
    if data not in _DRAFTS:
        _DRAFTS[data] = cli.ok("map", "draft", export).out
    mapping = cli.folder / "drafted.toml"
    mapping.write_text(_DRAFTS[data], encoding="utf-8")
    return mapping


def test_draft_writes_toml_and_nothing_else(
    cli: CommandLine, export: Path, site: Path, unchanged: Callable[[Path], Callable[[], None]]
) -> None:
    check = unchanged(cli.folder)
    done = cli.ok("map", "draft", export, "--site", site)
    assert tomllib.loads(done.out)["fields"]["pump_id"] == "Pumpenkennung"
    assert "nothing was written" in done.err
    check()


def test_try_prints_what_is_assumed_first_and_writes_nothing(
    cli: CommandLine, export: Path, site: Path, unchanged: Callable[[Path], Callable[[], None]]
) -> None:
    mapping = _drafted(cli, export)
    check = unchanged(cli.folder)
    out = cli.ok("map", "try", mapping, export, "--site", site, "--format", "table").out
    titles = [
        "Assumed, until somebody confirms it:", "First events (20 of 144)", "What would wait, by reason",
        "Labels that nobody has filed", "The records with most reasons",
    ]  # fmt: skip
    places = [out.index(title) for title in titles]
    assert places == sorted(places)
    assert places[0] == 0
    assert "time.zone" in out[: places[1]]
    assert re.search(r"^kind +QX7 Meldg\. +12$", out, re.MULTILINE)
    check()


def test_try_as_json(cli: CommandLine, export: Path, site: Path) -> None:
    mapping = _drafted(cli, export)
    document = cli.ok("map", "try", mapping, export, "--site", site, "--json").json
    assert next(iter(document)) == "assumed"
    assert document["rows_read"] == document["events_kept"] == 144
    assert len(document["first_events"]) == 20
    # Lisbon keeps UTC in winter
    assert document["first_events"][0]["occurred_at"] == "2026-03-09T07:05:09Z"
    assert document["unmapped"] == [{"what": "kind", "label": "QX7 Meldg.", "events": 12}]
    assert document["waiting"] == document["worst_records"] == []


def test_try_as_csv_holds_the_events_alone(cli: CommandLine, export: Path, site: Path) -> None:
    mapping = _drafted(cli, export)
    done = cli.ok("map", "try", mapping, export, "--site", site)
    rows = list(csv.DictReader(io.StringIO(done.out)))
    assert len(rows) == 20
    assert rows[1]["kind"] == "infusion_started"
    assert "assumed: time.zone" in done.err


def test_try_without_a_site_says_what_it_takes(cli: CommandLine, export: Path) -> None:
    done = cli.ok("map", "try", _drafted(cli, export), export)
    assert "times are read as UTC" in done.err


def test_try_shows_the_worst_records_without_people(cli: CommandLine, export: Path) -> None:
    mapping = _drafted(cli, export)
    lines = german().data.decode("cp1252").splitlines()
    header, first = lines[0].split(";"), lines[1].split(";")
    bad = dict(zip(header, first, strict=True))
    bad |= {"Pumpenkennung": "", "Ereigniszeitpunkt": "31.02.2026 08:00:00", "Flussrate": "viel"}
    worse = {**bad, "Lfd. Nr.": "eins", "Flusseinheit": "Eimer/h"}
    less = {**dict(zip(header, lines[2].split(";"), strict=True)), "Flussrate": "zwo", "Lfd. Nr.": "9"}
    cut = lines[3].split(";")[:5]
    more = (bad.values(), worse.values(), less.values(), cut)
    text = "\n".join([*lines, *(";".join(row) for row in more)])
    export.write_bytes((text + "\n").encode("cp1252"))
    document = cli.ok("map", "try", mapping, export, "--json").json
    assert document["quarantined"] == 4
    # into a pipe goes the table of events alone, so the reasons are told beside it
    told = cli.ok("map", "try", mapping, export).err
    assert "would wait: 2 records: the time does not have the format that the mapping declares\n" in told
    assert "would wait: 1 record: " in told
    assert {row["reason"]: row["records"] for row in document["waiting"]} == {
        "not_a_number": 3, "no_pump": 2, "time_format": 2, "sequence_not_whole": 1, "unknown_unit": 1,
        "no_unit": 1, "wrong_number_of_fields": 1,
    }  # fmt: skip
    worst = document["worst_records"]
    assert [row["source_record"] for row in worst] == [146, 145, 147]
    shown = json.loads(worst[0]["fields"])
    assert shown["Flussrate"] == "viel"
    assert shown["Fallkennung"] == "[personal]"
    assert not {"Patientenname", "Geb.-Datum"} & set(shown)
    for value in german().people:
        assert value not in json.dumps(document)


@pytest.mark.parametrize("language", ["de", pytest.param("es", marks=LONG)])
def test_draft_try_file_ingest_balance(cli: CommandLine, site: Path, language: str) -> None:
    dialect = DIALECTS[language]()
    (site / "site.toml").write_text(
        (site / "site.toml").read_text(encoding="utf-8") + '[people]\nkey_file = "../key"\n', encoding="utf-8"
    )
    key = site.parent / "key"
    key.write_text("11" * 32 + "\n", encoding="ascii")
    key.chmod(0o600)
    (site / "sources" / "plain.toml").unlink()
    inbox = site / "inbox" / dialect.name
    inbox.write_bytes(dialect.data)

    mapping = site / "sources" / "drafted.toml"
    mapping.write_text(cli.ok("map", "draft", inbox, "--site", site).out, encoding="utf-8")
    tried = cli.ok("map", "try", mapping, inbox, "--site", site, "--json").json
    assert tried["quarantined"] == 0

    # assumptions stand: nothing is read
    cli("ingest", "--site", site).refused(2, "still assumes", "records")
    assert not (site / "store").exists()

    text = mapping.read_text(encoding="utf-8")
    text = re.sub(r"^assumed = \[.*?^\]$", "assumed = []", text, flags=re.MULTILINE | re.DOTALL)
    mapping.write_text(text, encoding="utf-8")
    document = cli.ok("ingest", "--site", site, "--json").json
    assert document["balanced"] is True
    # what was tried is what is read
    assert {k: document[k] for k in ("rows_read", "events_kept", "quarantined", "events")} == {
        k: tried[k] for k in ("rows_read", "events_kept", "quarantined", "events")
    }
    other = "select count(*) as n from events where list_contains(unmapped, 'kind')"
    assert cli.ok("query", other, "--site", site).out.split() == ["n", "12"]

    # a person files the last label, and the same events are derived anew, with their ids
    filed = text.replace(f'# "{dialect.odd}" = ""', f'"{dialect.odd}" = "fault_logged"')
    assert filed != text
    mapping.write_text(filed, encoding="utf-8")
    document = cli.ok("ingest", "--site", site, "--json").json
    assert document["rederived"] == 12
    assert cli.ok("query", other, "--site", site).out.split() == ["n", "0"]
    assert cli.ok("balance", "--site", site, "--json").json["balanced"] is True
    starts = "select count(*) as n from infusions where start_kind = 'start'"
    assert cli.ok("query", starts, "--site", site).out.split() == ["n", "12"]


def test_retry_reads_from_the_originals_after_mending(cli: CommandLine, site: Path) -> None:
    (site / "sources" / "plain.toml").unlink()
    export = site / "inbox" / "unit log.csv"
    export.write_text(
        "Pump,Time,No,Event,Rate,Rate unit\n"
        "P-1,2026-10-13 08:00:00,1,Start,2.5,mL/h\n"
        "P-1,2026-10-13 08:30:00,2,Rate change,3,buckets/h\n"
        "P-1,2026-10-13 09:00:00,3,Stop,,\n",
        encoding="utf-8",
    )
    mapping = site / "sources" / "unit_log.toml"
    text = cli.ok("map", "draft", export, "--site", site).out
    tried_with = cli.folder / "tried.toml"
    tried_with.write_text(text, encoding="utf-8")
    tried = cli.ok("map", "try", tried_with, export, "--site", site, "--json").json
    assert tried["waiting"] == [
        {"reason": "unknown_unit", "records": 1, "means": "the unit is not known, or measures something else"}
    ]
    text = re.sub(r"^assumed = \[.*?^\]$", "assumed = []", text, flags=re.MULTILINE | re.DOTALL)
    mapping.write_text(text, encoding="utf-8")
    done = cli("ingest", "--site", site, "--json")
    assert done.code == 4
    assert done.json["quarantined"] == 1
    # the export is gone; the original is what is read
    export.unlink()
    mended = text.replace('# "buckets/h" = ""', '"buckets/h" = "mL/h"')
    assert mended != text
    mapping.write_text(mended, encoding="utf-8")
    retried = cli.ok("quarantine", "--retry", "--site", site, "--json").json
    assert (retried["rows_read"], retried["events_kept"]) == (1, 1)
    balance = cli.ok("balance", "--site", site, "--json").json
    assert balance["balanced"] is True
    assert (balance["rows_read"], balance["events_kept"], balance["quarantined"]) == (3, 3, 0)


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["draft"], 2, "map draft takes one export"),
        (["draft", "a", "b"], 2, "map draft takes one export"),
        (["draft", "nowhere.csv"], 2, "there is no such file"),
        (["draft", "EXPORT", "--json"], 2, "a draft is TOML"),
        (["draft", "EXPORT", "--safe", "Kanal"], 2, "no column 'Kanal'"),
        (["try", "EXPORT"], 2, "a mapping and an export"),
        (["try", "MAPPING", "nowhere.csv"], 2, "there is no such file"),
        (["try", "nowhere.toml", "EXPORT"], 2, "there is no such file"),
        (["try", "EXPORT", "EXPORT"], 2, "is not UTF-8 text"),
        (["try", "MAPPING", "MAPPING"], 3, "its first line has"),
        (["try", "MAPPING", "EXPORT", "--safe", "Kanal"], 2, "no option '--safe'"),
        (["drft", "EXPORT"], 2, "'draft'"),
    ],
)
def test_refusals(cli: CommandLine, export: Path, args: list[str], code: int, words: str) -> None:
    known = {"EXPORT": export}
    if "MAPPING" in args:
        known["MAPPING"] = _drafted(cli, export)
    given = [known.get(arg, arg) for arg in args]
    cli("map", *given).refused(code, words)


def test_nothing_is_left_in_the_folder_for_temporary_files(cli: CommandLine, export: Path) -> None:
    mapping = _drafted(cli, export)
    temporary = cli.folder / "temporary"
    temporary.mkdir()
    cli("map", "try", mapping, export, env={"TMPDIR": str(temporary)})
    assert list(temporary.iterdir()) == []
