"""`trace` and the packet by the real command line: what stands in them, what is refused, what nobody may see.

Amounts are worked out by hand beside their checks.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import shutil
import zipfile
from pathlib import Path
from typing import Any

import pytest

from dripledger.incidents.packet import DIGEST, MANIFEST, digest_line
from dripledger.incidents.zips import pack, unpack
from tests.functional.conftest import CommandLine, Done, make_site

HEADER = (
    "pump_id,channel,device_time,sequence,kind,care_area,entry,library_use,library_version,rate_ml_h,"
    "concentration_value,concentration_unit,dose_value,dose_unit,weight_kg,patient_key,nurse\n"
)
#: 12.5 mL/h of 2 mg/mL for half an hour, then tenfold for half an hour.
TENFOLD = HEADER + (
    "P-1,,2026-10-05T07:58:00,1,patient_changed,ICU,,,,,,,,,,MRN-4711,Ana Reis\n"
    "P-1,A,2026-10-05T08:00:00,2,infusion_started,ICU,morphine,limited,4.2,12.5,2,mg/mL,25,mg/h,,,Ana Reis\n"
    "P-1,A,2026-10-05T08:30:00,3,rate_changed,,,,,125,,,250,mg/h,,,Ana Reis\n"
    "P-1,A,2026-10-05T09:00:00,4,infusion_stopped,,,,,,,,,,,,Ana Reis\n"
)
LIBRARY = (
    "version,published_at,care_area,entry,concentration_value,concentration_unit,dosing_unit,quantity,hard_low,"
    "soft_low,soft_high,hard_high\n4.2,2026-01-01,ICU,morphine,2,mg/mL,mg/h,dose_rate,,1,30,60\n"
)
WINDOW = ("--pump", "P-1", "--from", "2026-10-05T08:15", "--to", "2026-10-05T08:45")


def site_with(cli: CommandLine, name: str, log: str | dict[str, str], **lists: str) -> Path:
    """Make a site, read its logs, and return it."""
    root = cli.folder / name
    make_site(root)
    (root / "libraries").mkdir()
    (root / "libraries" / "lib.csv").write_text(LIBRARY, encoding="utf-8")
    for list_name, text in lists.items():
        (root / f"{list_name}.csv").write_text(text, encoding="utf-8")
    for file, text in ({"october.csv": log} if isinstance(log, str) else log).items():
        (root / "inbox" / file).write_text(text, encoding="utf-8")
    done = cli("ingest", "--site", root, env={"DRIPLEDGER_KEY": "k" * 32})
    assert done.code in (0, 4), done.err
    return root


@pytest.fixture(scope="module")
def tenfold(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site with one incident and its packet: made once, changed by nobody."""
    folder = tmp_path_factory.mktemp("a traced site")
    cli = CommandLine(folder, folder)
    root = site_with(cli, "site", TENFOLD)
    cli.ok("trace", "--site", root, *WINDOW, "--at", "2026-10-05T08:30", "--out", folder / "packet.zip")
    return folder


def document(done: Done) -> Any:
    assert done.code == 0, done.err
    return json.loads(done.out)


def test_what_happened_and_how_much(cli: CommandLine, tenfold: Path) -> None:
    done = cli("trace", "--site", tenfold / "site", *WINDOW, "--json")
    told = document(done)
    assert [line["what"] for line in told["lines"]] == [
        "a new patient was confirmed or the patient data were cleared",
        "delivery started at 12.5 mL/h; dose 25 mg/h",
        "rate changed from 12.5 to 125 mL/h: tenfold; dose from 25 to 250 mg/h",
        "delivery ended",
    ]
    assert told["window"]["begins_at"] == "2026-10-05T06:58:00Z", "widened to the infusion and its setting up"
    assert told["window"]["ends_at"] == "2026-10-05T08:00:00Z"
    change = told["lines"][2]
    assert change["limits"] == "dose rate: soft 1 to 30, hard up to 60 mg/h"
    # by 08:30: 12.5 mL/h x 0.5 h = 6.25 mL, x 2 mg/mL = 12.5 mg; 125 mL/h x 2 mg/mL = 250 mg/h, and back
    assert (change["volume_ml"], change["amount"], change["amount_unit"]) == (6.25, 12.5, "mg")
    assert (change["dose_from_rate"], change["rate_from_dose_ml_h"]) == (250, 125)
    (pumped,) = told["pumped"]
    # 08:15-08:45: 12.5 x 0.25 + 125 x 0.25 = 34.375 mL; a step of 1 s at 08:30: 112.5 mL/h x 1 s = 0.03125
    assert pumped["volume_ml"] == {"seen": 34.375, "low": 34.34375, "high": 34.40625, "open": False}
    assert pumped["drugs"][0]["amount"]["seen"] == 68.75
    (finding,) = told["findings"]
    assert (finding["rule"], finding["word"], finding["size"]) == ("rate_step", "fact", 10)
    assert "tenfold" in done.err
    assert "not a finding of cause or fault" in done.err


def test_amount_between_two_further_moments_with_a_doubtful_clock(cli: CommandLine, tenfold: Path) -> None:
    told = document(
        cli("trace", "--site", tenfold / "site", *WINDOW, "--json", "--clock-doubt", "360",
            "--between", "2026-10-05T08:00", "2026-10-05T09:00")
    )  # fmt: skip
    whole = told["pumped"][1]["volume_ml"]
    # 12.5 x 0.5 + 125 x 0.5 = 68.75 mL; 6 min early: the last 6 min at 125 fall out (12.5), nothing comes in;
    # 6 min late: the first 6 min at 12.5 fall out (1.25). Steps of 1 s at edges of 12.5, 112.5, 125 mL/h
    assert whole["seen"] == 68.75
    assert whole["low"] == pytest.approx(68.75 - 12.5 - (12.5 + 112.5 + 125) / 3600, abs=0.05)
    assert whole["high"] == pytest.approx(68.75, abs=0.1)
    assert "6 min 1 s either way" in told["cautions"][-1]


def test_the_table_goes_into_a_pipe_as_csv(cli: CommandLine, tenfold: Path) -> None:
    done = cli.ok("trace", "--site", tenfold / "site", *WINDOW)
    assert done.out.startswith("at_local,at_utc,until_utc,what_kind,")
    assert "2026-10-05 08:30:00+01:00,2026-10-05T07:30:00Z" in done.out


def test_the_same_store_version_gives_the_same_bytes(cli: CommandLine, tenfold: Path) -> None:
    root = cli.folder / "site"
    shutil.copytree(tenfold / "site", root)
    more = HEADER + "P-1,A,2026-10-05T08:40:00,5,rate_changed,,,,,1,,,2,mg/h,,,\n"
    (root / "inbox" / "more.csv").write_text(more, encoding="utf-8")
    cli.ok("ingest", "--site", root)
    out = cli.folder / "again.zip"
    args = ("trace", "--site", root, *WINDOW, "--at", "2026-10-05T08:30", "--out", out)
    cli.ok(*args, "--as-of", "1")
    assert out.read_bytes() == (tenfold / "packet.zip").read_bytes()
    cli.ok(*args)
    assert out.read_bytes() != (tenfold / "packet.zip").read_bytes()
    assert out.stat().st_mode & 0o777 == 0o600


def test_a_packet_is_whole(cli: CommandLine, tenfold: Path) -> None:
    members = unpack((tenfold / "packet.zip").read_bytes())
    assert {
        "timeline.html", "timeline.pdf", "timeline.csv", "trace.json", "findings.csv", "figure.svg",
        "figure_zoomed.svg", "records.csv", "library.csv", "README.txt", MANIFEST, DIGEST,
        "declarations/infusion_rules.txt", "declarations/site.toml", "declarations/sources/plain.toml",
    } <= set(members)  # fmt: skip
    manifest = json.loads(members[MANIFEST])
    assert manifest["asked"]["pump"] == "P-1"
    assert manifest["made_from"]["store_version"] == 1
    assert members["timeline.pdf"][:5] == b"%PDF-"
    assert b"4.2,2026-01-01" in members["library.csv"]
    for name in ("timeline.html", "README.txt"):
        for words in (
            b"not a finding of cause or fault",
            b"Sequester the device",
            b"local law",
            b"not what reached",
        ):
            assert words in members[name], (name, words)
    assert b"<text" in members["figure.svg"], "text stays text"


def test_no_name_and_no_number_of_a_person(cli: CommandLine, tenfold: Path) -> None:
    members = unpack((tenfold / "packet.zip").read_bytes())
    for name, data in members.items():
        # a digest has any four digits now and then
        assert b"4711" not in re.sub(rb"\b[0-9a-f]{64}\b", b"", data), name
        assert b"Reis" not in data, name
    (records,) = [data for name, data in members.items() if name.startswith("records/")]
    # the patient is a number, and `nurse` is a field that no mapping reads
    assert (
        records.decode().splitlines()[0]
        == "P-1,,2026-10-05T07:58:00,1,patient_changed,ICU,,,,,,,,,,########,########"
    )
    assert b"patient 1" in members["timeline.html"]


def test_verify_alone_against_the_export_and_against_the_store(cli: CommandLine, tenfold: Path) -> None:
    packet, root = tenfold / "packet.zip", tenfold / "site"
    assert "only that store can tell" in cli.ok("verify", packet).err
    export = root / "inbox" / "october.csv"
    assert "its records stand so in october.csv" in cli.ok("verify", packet, "--original", export).err
    assert "the store gives the same" in cli.ok("verify", packet, "--site", root).err
    other = cli.folder / "other.csv"
    other.write_text(TENFOLD.replace("125,", "126,"), encoding="utf-8")
    done = cli("verify", packet, "--original", other)
    done.refused(5, "the packet is sound, and other.csv is another file than its records came in")
    assert "october.csv" in done.out
    assert "not as written down" not in done.err
    assert "Make the packet again" not in done.err
    assert "none of the files" in done.out


def test_a_packet_rewritten_with_its_manifest_is_caught_by_the_store_alone(
    cli: CommandLine, tenfold: Path
) -> None:
    members = unpack((tenfold / "packet.zip").read_bytes())
    members["timeline.csv"] = members["timeline.csv"].replace(b"tenfold", b"onefold")
    manifest = json.loads(members[MANIFEST])
    manifest["files"]["timeline.csv"]["sha256"] = hashlib.sha256(members["timeline.csv"]).hexdigest()
    members[MANIFEST] = (json.dumps(manifest, indent=1, ensure_ascii=False) + "\n").encode()
    members[DIGEST] = digest_line(members[MANIFEST])
    forged = cli.folder / "forged.zip"
    forged.write_bytes(pack(members))
    cli.ok("verify", forged)
    done = cli("verify", forged, "--site", tenfold / "site")
    done.refused(5)
    assert "timeline.csv,is not what the store gives" in done.out


def test_a_record_changed_in_packet_and_manifest_is_caught_by_the_export(
    cli: CommandLine, tenfold: Path
) -> None:
    members = unpack((tenfold / "packet.zip").read_bytes())
    name = next(n for n in members if n.startswith("records/"))
    members[name] = members[name].replace(b"rate_changed,,,,,125", b"rate_changed,,,,,12 ")
    manifest = json.loads(members[MANIFEST])
    manifest["files"][name]["sha256"] = hashlib.sha256(members[name]).hexdigest()
    members[MANIFEST] = json.dumps(manifest).encode()
    members[DIGEST] = digest_line(members[MANIFEST])
    forged = cli.folder / "forged.zip"
    forged.write_bytes(pack(members))
    done = cli("verify", forged, "--original", tenfold / "site" / "inbox" / "october.csv")
    done.refused(5)
    assert "record 3,does not stand so in october.csv" in done.out


def test_an_export_that_was_compressed_is_looked_into(cli: CommandLine, tenfold: Path) -> None:
    packed = cli.folder / "october.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(tenfold / "site" / "inbox" / "october.csv", "october.csv")
    cli.ok("verify", tenfold / "packet.zip", "--original", packed)


def test_an_empty_window_is_a_clear_sentence(cli: CommandLine, tenfold: Path) -> None:
    args = ("--site", tenfold / "site", "--pump", "P-1", "--from", "2026-10-20", "--to", "2026-10-21")
    done = cli.ok("trace", *args)
    assert "holds nothing of pump P-1 from 2026-10-20 00:00:00+01:00 to 2026-10-21 00:00:00+01:00" in done.err
    assert len(done.out.splitlines()) == 1, "the header alone"
    out = cli.folder / "empty.zip"
    cli.ok("trace", *args, "--out", out)
    cli.ok("verify", out, "--site", tenfold / "site")
    assert b"holds nothing of pump P-1" in unpack(out.read_bytes())["timeline.html"]


def test_refusals(cli: CommandLine, tenfold: Path) -> None:
    def run(*args: str) -> Done:
        return cli("trace", "--site", tenfold / "site", *args)

    day = ("--from", "2026-10-05", "--to", "2026-10-06")
    run("--pump", "P-2", *day).refused(2, "knows no pump 'P-2'", "Perhaps you mean 'P-1'")
    run("--pump", "P-1", "--channel", "Z", *day).refused(2, "no channel 'Z'", "'A'")
    run(*day).refused(2, "--pump")
    run("--pump", "P-1", "--from", "2026-10-06", "--to", "2026-10-05").refused(2, "ends before it begins")
    run("--pump", "P-1", "--from", "2026-10-25T01:30", "--to", "2026-10-26").refused(2, "+01:00", "+00:00")
    run("--pump", "P-1", *day, "--clock-doubt", "90000").refused(2, "more than a day")
    run("--similar", "nonsense").refused(2, "no name of a finding")
    run("--similar", "rate_step:0").refused(2, "finds nothing at that event")
    run("--similar", "rate_step:0", "--pump", "P-1").refused(2, "takes no --pump")
    run(*WINDOW, "--out", str(tenfold / "site" / "site.toml")).refused(2, "no packet")
    cli("verify", tenfold / "site" / "site.toml").refused(2, "no packet")
    cli("verify", tenfold / "site", "--original", tenfold / "packet.zip").refused(2, "goes with a packet")


def test_where_else(cli: CommandLine) -> None:
    log = TENFOLD
    one = TENFOLD.removeprefix(HEADER)
    for day, rate in ((6, "125"), (7, "100"), (8, "62.5")):
        other = one.replace("10-05T", f"10-0{day}T").replace(",125,", f",{rate},")
        log += other.replace("P-1", f"P-{day}")
    log += TENFOLD.removeprefix(HEADER).replace("P-1", "P-9").replace("morphine", "insulin")
    root = site_with(cli, "site", log)
    told = document(cli("trace", "--site", root, *WINDOW, "--json"))
    name = next(f["name"] for f in told["findings"] if f["rule"] == "rate_step")
    done = cli.ok("trace", "--site", root, "--similar", name)
    # tenfold and eightfold are of one size; fivefold is not, and insulin is another entry
    assert done.out.splitlines() == ["month,care_area,findings,pumps", "2026-10,ICU,3,3"]
    assert "entry morphine, size 8 or more and under 12.5: found 3 times" in done.err


def logs_of_many() -> dict[str, str]:
    """Return logs that have nothing to do with each other, each of a pump of its own."""
    lines = TENFOLD.removeprefix(HEADER).splitlines(keepends=True)
    first, second = HEADER + "".join(lines[:2]), HEADER + "".join(lines[3:])
    # with no concentration no dose follows from a rate
    dose = TENFOLD.replace("2,mg/mL,25,mg/h", ",,25,mg/h").replace("125,,,250,mg/h", "125,,,,")
    dose = dose.replace(
        "P-1,A,2026-10-05T09:00:00,4,", "P-1,A,2026-10-05T08:40:00,4,rate_changed,,,,,15,,,30,mg/h,,,\n"
        "P-1,A,2026-10-05T09:00:00,5,",
    )  # fmt: skip
    channels = TENFOLD + TENFOLD.removeprefix(HEADER).replace(",A,", ",B,").replace(",1,", ",11,").replace(
        ",2,inf", ",12,inf").replace(",3,rate", ",13,rate").replace(",4,inf", ",14,inf").replace(
        "P-1,,2026-10-05T07:58:00", "P-1,,2026-10-05T07:58:01")  # fmt: skip
    logs = {
        # clocks in Lisbon go back at 02:00 summer time on 25 October; the sequence tells which hour is which
        "hour": HEADER + (
            "P-1,A,2026-10-25T00:30:00,1,infusion_started,ICU,morphine,limited,4.2,10,2,mg/mL,,,,,\n"
            "P-1,A,2026-10-25T01:30:00,2,rate_changed,,,,,20,,,,,,,\n"
            "P-1,A,2026-10-25T01:15:00,3,rate_changed,,,,,30,,,,,,,\n"
            "P-1,A,2026-10-25T02:30:00,4,infusion_stopped,,,,,,,,,,,,\n"
        ),
        "open": HEADER + (
            "P-1,A,2026-10-25T01:30:00,,infusion_started,ICU,morphine,limited,4.2,10,2,mg/mL,,,,,\n"
            "P-1,A,2026-10-25T04:30:00,,infusion_stopped,,,,,,,,,,,,\n"
        ),
        "fast": TENFOLD,
        "first": first,
        "second": second,
        "unread": TENFOLD.replace("rate_changed,,,,,125", "rate_changed,,,,,l25"),
        "dose": dose,
        "channels": channels,
    }  # fmt: skip
    both = {"both a.csv": first.replace("P-1", "both"), "both b.csv": second.replace("P-1", "both")}
    return both | {f"{pump}.csv": log.replace("P-1", pump) for pump, log in logs.items()}


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site that has read those logs, one of a pump whose clock runs fast; changed by nobody."""
    folder = tmp_path_factory.mktemp("many logs")
    return site_with(
        CommandLine(folder, folder), "site", logs_of_many(), clocks="pump,from,offset_s\nfast,,2820\n"
    )


def test_the_repeated_hour(cli: CommandLine, many: Path) -> None:
    root = many
    told = document(cli("trace", "--site", root, "--pump", "hour", "--from", "2026-10-25T00:30", "--to",
                        "2026-10-25T03:00", "--json"))  # fmt: skip
    assert [line["at"] for line in told["lines"]] == [
        "2026-10-24T23:30:00Z", "2026-10-25T00:30:00Z", "2026-10-25T01:15:00Z", "2026-10-25T02:30:00Z",
    ]  # fmt: skip
    # 1 h at 10, 45 min at 20, 75 min at 30: 10 + 15 + 37.5 mL in three true hours
    assert told["pumped"][0]["volume_ml"]["seen"] == 62.5
    done = cli.ok(
        "trace", "--site", root, "--pump", "hour", "--from", "2026-10-25T00:30", "--to", "2026-10-25T03:00"
    )
    assert "2026-10-25 01:30:00+01:00" in done.out
    assert "2026-10-25 01:15:00+00:00" in done.out


def test_an_hour_that_nothing_settles_gives_two_amounts(cli: CommandLine, many: Path) -> None:
    told = document(cli("trace", "--site", many, "--pump", "open", "--from", "2026-10-25T00:00", "--to",
                        "2026-10-25T05:00", "--json"))  # fmt: skip
    volume = told["pumped"][0]["volume_ml"]
    # 01:30 read as the earlier: four true hours, 40 mL; as the later: three, 30 mL (and the steps of 1 s)
    assert volume["seen"] == 40
    assert volume["low"] == pytest.approx(30, abs=0.01)
    assert volume["high"] == pytest.approx(40, abs=0.01)
    assert any("1 event lies in the repeated hour" in text for text in told["clock"])


def test_a_clock_that_runs_47_minutes_fast(cli: CommandLine, many: Path) -> None:
    told = document(
        cli(
            "trace",
            "--site",
            many,
            "--pump",
            "fast",
            "--from",
            "2026-10-05T07:40",
            "--to",
            "2026-10-05T07:50",
            "--json",
        )
    )
    # the change at 08:30 by the pump's clock was at 07:43, true time
    change = next(line for line in told["lines"] if "tenfold" in line["what"])
    assert (change["at"], change["pump_clock"]) == ("2026-10-05T06:43:00Z", "2026-10-05 08:30:00")
    assert change["doubt"] == "± 1 s; clock corrected by -47 min"
    assert any("47 min fast" in text for text in told["clock"])
    assert "47 min fast" in told["cautions"][-1]
    # 07:40-07:50: 3 min at 12.5 and 7 min at 125: 0.625 + 14.583333 mL
    assert told["pumped"][0]["volume_ml"]["seen"] == pytest.approx(15.208333, abs=1e-6)


def test_a_log_cut_in_half(cli: CommandLine, many: Path) -> None:
    """Both halves are traced, and nothing is invented across the cut."""

    def day_of(pump: str) -> Any:
        day = ("--from", "2026-10-05", "--to", "2026-10-06", "--json")
        return document(cli("trace", "--site", many, "--pump", pump, *day))

    one = day_of("first")
    # a start and nothing after it: the infusion is open, and no time proves that it ran
    assert [line["kind"] for line in one["lines"]] == ["patient_changed", "infusion_started"]
    assert one["infusions"][0]["end_kind"] == "open"
    assert all(p["volume_ml"]["seen"] == 0 for p in one["pumped"])
    two = day_of("second")
    assert [line["kind"] for line in two["lines"]] == ["infusion_stopped"]
    assert all(p["volume_ml"]["seen"] == 0 for p in two["pumped"])
    both = day_of("both")
    gap = next(line for line in both["lines"] if line["what_kind"] == "gap")
    assert (gap["at"], gap["until_at"]) == ("2026-10-05T07:00:00Z", "2026-10-05T08:00:00Z")
    (pumped,) = both["pumped"]
    # number 3 is missing: 08:00-09:00 may hold nothing, or 12.5 mL, or more, for a rate may have been changed
    assert pumped["volume_ml"]["low"] == 0
    assert pumped["volume_ml"]["open"]
    assert "number 3: 1 record missing" in pumped["why_open"]


def test_a_record_that_cannot_be_read_stands_in_the_timeline(cli: CommandLine, many: Path) -> None:
    told = document(cli("trace", "--site", many, "--pump", "unread", *WINDOW[2:], "--json"))
    unread = next(line for line in told["lines"] if line["what_kind"] == "unread")
    assert (unread["at"], unread["sequence"]) == ("2026-10-05T07:30:00Z", 3)
    assert unread["what"] == "a record that cannot be read: not a number"
    assert told["pumped"][0]["volume_ml"]["open"], "it may have been a change of rate"


def test_a_number_that_cannot_be_read_is_not_called_lost(cli: CommandLine) -> None:
    """A row that lost its first field: nobody can say that it is number 3, nor that it is not."""
    root = site_with(cli, "site", TENFOLD.replace("P-1,A,2026-10-05T08:30:00,3,", "A,2026-10-05T08:30:00,3,"))
    told = document(cli("trace", "--site", root, *WINDOW, "--json"))
    (missing,) = (f for f in told["findings"] if f["rule"] == "log_missing")
    assert missing["what"] == (
        "The pump's number 3 is in no record that could be read; it may be in the record that waits unread "
        "between its neighbours in the file."
    )
    assert told["pumped"][0]["why_open"] == [
        "number 3: 1 record missing, or it is the one that waits unread between its neighbours in the file"
    ]
    alike = cli.ok("trace", "--site", root, "--similar", missing["name"])
    assert "found once in the store" in alike.err


def test_a_dose_stands_beside_no_rate_that_it_was_not_told_for(cli: CommandLine, many: Path) -> None:
    """With no concentration no dose follows from 125 mL/h, nor was it 25 mg/h before it became 30."""
    told = document(cli("trace", "--site", many, "--pump", "dose", *WINDOW[2:], "--json"))
    assert [(s["rate_ml_h"], s["dose"]) for s in told["stretches"]] == [(12.5, 25), (125, None), (15, 30)]
    last = next(line for line in told["lines"] if line["sequence"] == 4)
    assert (last["dose_before"], last["dose"]) == (None, 30)
    assert "dose 30 mg/h" in last["what"]


HOSTILE_PUMP = "P<script>alert(1)</script>$x^2$"
HOSTILE_ENTRY = '#import "x": *; <b>&amp;"\u202e $\\frac{1}{2}$'


def test_hostile_characters(cli: CommandLine) -> None:
    def cell(text: str) -> str:
        return '"' + text.replace('"', '""') + '"'

    log = TENFOLD.replace("P-1", cell(HOSTILE_PUMP)).replace("morphine", cell(HOSTILE_ENTRY)).replace(
        ",A,", f",{cell('=cmd|x')},").replace("ICU", cell("ward\u2028<i>"))  # fmt: skip
    root = site_with(cli, "site", log)
    out = cli.folder / "packet.zip"
    done = cli.ok(
        "trace", "--site", root, "--pump", HOSTILE_PUMP, *WINDOW[2:], "--at", "2026-10-05T08:30", "--out", out
    )
    assert "\u202e" not in done.err
    members = unpack(out.read_bytes())
    page = members["timeline.html"].decode()
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert "$x^2$" in page
    assert "=cmd|x" in members["figure.svg"].decode(), "set as written, not as a formula"
    assert ",'=cmd|x," in members["timeline.csv"].decode()
    assert members["timeline.pdf"][:5] == b"%PDF-"
    cli.ok("verify", out, "--site", root)


def test_several_channels_and_one(cli: CommandLine, many: Path) -> None:
    args = ("trace", "--site", many, "--pump", "channels", *WINDOW[2:], "--json")
    both = document(cli(*args))
    assert sorted({line["channel"] for line in both["lines"]}) == ["", "A", "B"]
    one = document(cli(*args, "--channel", "B"))
    assert sorted({line["channel"] for line in one["lines"]}) == ["", "B"]
    assert [p["channel"] for p in one["pumped"]] == ["B"]


def test_the_packet_opens_anywhere(tenfold: Path) -> None:
    with zipfile.ZipFile(io.BytesIO((tenfold / "packet.zip").read_bytes())) as archive:
        assert archive.testzip() is None
        assert {item.date_time for item in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
