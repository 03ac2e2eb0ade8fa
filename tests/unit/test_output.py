"""Results on their way out: forms, widths, numbers, zones, and text that must not steer a terminal."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from dripledger.errors import UsageError
from dripledger.output import columns_of, write_stream, write_table

AT = dt.datetime(2026, 10, 25, 1, 30, tzinfo=dt.UTC)


class Terminal(io.StringIO):
    """A text stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("COLUMNS", "NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)


def small() -> pa.Table:
    return pa.table(
        {
            "area": ["ward", "intensive care"],
            "n": [5, 12345],
            "share": pa.array([0.5, None]),
            "amount": pa.array([Decimal("1.500000000"), Decimal("2.000000000")], pa.decimal128(28, 9)),
            "at": pa.array([AT, None], pa.timestamp("us", "UTC")),
        }
    )


def written(table: pa.Table, stream: io.StringIO | None = None, **options) -> str:
    stream = stream or io.StringIO()
    write_table(table, stream, **options)
    return stream.getvalue()


def test_a_drawn_table_aligns_numbers_right_and_text_left() -> None:
    assert written(small(), fmt="table") == (
        "area                n  share  amount  at\n"
        "--------------  -----  -----  ------  --------------------\n"
        "ward                5    0.5     1.5  2026-10-25 01:30:00Z\n"
        "intensive care  12345              2\n"
    )


def test_a_terminal_gets_a_table_and_a_pipe_gets_csv() -> None:
    assert written(small(), Terminal(), width=200).startswith("\x1b[1marea")
    assert written(small()) == (
        "area,n,share,amount,at\nward,5,0.5,1.5,2026-10-25T01:30:00Z\nintensive care,12345,,2,\n"
    )


def test_no_color_is_honoured(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    assert "\x1b" not in written(small(), Terminal(), width=200)
    assert "\x1b" not in written(small(), Terminal(), width=20)


def test_instants_stand_in_the_zone_asked_for_with_their_offset() -> None:
    # the two halves of the repeated hour read alike but for the offset
    table = pa.table({"at": pa.array([AT - dt.timedelta(hours=1), AT], pa.timestamp("us", "UTC"))})
    assert written(table, zone=ZoneInfo("Europe/Paris")).splitlines()[1:] == [
        "2026-10-25T02:30:00+02:00",
        "2026-10-25T02:30:00+01:00",
    ]


def test_a_clock_reading_has_no_zone() -> None:
    table = pa.table({"at": pa.array([AT.replace(tzinfo=None)], pa.timestamp("us"))})
    assert written(table, zone=ZoneInfo("Europe/Paris")).splitlines()[1] == "2026-10-25T01:30:00"


@pytest.mark.parametrize(
    ("interval", "text"),
    [
        ("interval 1 second", "00:00:01"),
        ("interval '100 hours 2 minutes 3.5 seconds'", "100:02:03.5"),
        ("interval '-90 seconds'", "-00:01:30"),
        ("interval 0 second", "00:00:00"),
        ("interval '1 year 2 months 1 day 4 hours'", "14 months 1 day 04:00:00"),
        ("interval '-1 month'", "-1 month"),
        ("interval 2 day", "2 days"),
    ],
)
@pytest.mark.parametrize("fmt", ["table", "csv", "json"])
def test_an_interval_reads_as_a_time(interval: str, text: str, fmt: str) -> None:
    """Months and days have no fixed length: they stand beside the hours, and are never turned into them."""
    table = duckdb.sql(f"select {interval} as took").to_arrow_table()
    shown = written(table, fmt=fmt)
    assert (json.loads(shown)[0]["took"] if fmt == "json" else shown.splitlines()[-1]) == text


@pytest.mark.parametrize("width", [1, 2, 5, 10, 20, 40, 50])
def test_a_narrow_terminal_gets_blocks_that_never_pass_its_width(width: int) -> None:
    text = written(small(), fmt="table", width=width)
    assert max(columns_of(line) for line in text.splitlines()) <= width
    # nothing is lost
    joined = "".join(text.split())
    for value in ("area:", "amount:", "intensivecare", "12345", "2026-10-2501:30:00Z"):
        assert value in joined


def test_blocks_are_one_line_a_value() -> None:
    assert written(small(), fmt="table", width=30).split("\n\n")[0] == (
        "area:   ward\nn:      5\nshare:  0.5\namount: 1.5\nat:     2026-10-25 01:30:00Z"
    )


def test_a_long_text_is_cut_between_words_and_a_long_word_where_it_must() -> None:
    table = pa.table(
        {"a": ["no limit at all protects from", "abcdefghijklmnop qrst"], "wide": ["x" * 9, "y"]}
    )
    text = written(table, fmt="table", width=18)
    assert text == (
        "a:    no limit at\n      all protects\n      from\nwide: xxxxxxxxx\n\n"
        "a:    abcdefghijkl\n      mnop qrst\nwide: y\n"
    )


def test_an_empty_table_stays_within_a_narrow_terminal_too() -> None:
    assert written(small().slice(0, 0), fmt="table", width=12) == "area, n,\nshare,\namount, at\n(no rows)\n"


def test_a_table_exactly_as_wide_as_the_terminal_stays_a_table() -> None:
    wide = max(len(line) for line in written(small(), fmt="table").splitlines())
    assert written(small(), fmt="table", width=wide).startswith("area  ")
    assert max(map(len, written(small(), fmt="table", width=wide - 1).splitlines())) < wide


def test_long_texts_go_on_below_themselves_where_the_terminal_is_narrow() -> None:
    table = pa.table(
        {"n": [7, 12], "what": ["pump", "alarm"], "value": ["22 pumps, 9 of 10 numbers, 3 gaps", "none"]}
    )
    assert written(table, fmt="table", width=27) == (
        " n  what   value\n--  -----  ----------------\n"
        " 7  pump   22 pumps, 9 of\n           10 numbers, 3\n           gaps\n12  alarm  none\n"
    )
    # more than three lines for one cell is no table any more
    assert written(table, fmt="table", width=22).startswith("n:")
    # numbers are never cut
    assert written(pa.table({"n": [123456789], "m": [123456789]}), fmt="table", width=15).startswith("n:")


def test_the_width_of_a_terminal_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    assert "area:" in written(small(), Terminal())


def test_wide_and_combining_characters_are_counted_as_a_terminal_does() -> None:
    text = written(pa.table({"a": ["漢字", "e\u0301", "abcd"], "n": [1, 2, 3]}), fmt="table")
    assert [line.replace("漢字", "####").replace("e\u0301", "e") for line in text.splitlines()[2:]] == [
        "####  1",
        "e     2",
        "abcd  3",
    ]


EVIL = "a\x1b[2Jb\x07\x9b31m\u202ex\r\ny\x00"


@pytest.mark.parametrize("fmt", ["table", "csv", "json"])
@pytest.mark.parametrize("width", [200, 12])
def test_escape_codes_in_text_never_reach_a_terminal(fmt: str, width: int, monkeypatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    text = written(pa.table({EVIL: [EVIL], "n": [1]}), Terminal(), fmt=fmt, width=width)
    assert all(c == "\n" or c.isprintable() for c in text)
    assert "1b" in text


def test_csv_and_json_into_a_pipe_are_faithful() -> None:
    table = pa.table({"a": [EVIL], 'b"': ["x,y"]})
    assert list(csv.reader(io.StringIO(written(table, fmt="csv"), newline=""))) == [
        ["a", 'b"'],
        [EVIL, "x,y"],
    ]
    assert json.loads(written(table, fmt="json")) == [{"a": EVIL, 'b"': "x,y"}]


def test_json_is_valid_and_exact() -> None:
    table = pa.table(
        {
            "d": pa.array([Decimal("1234567890123456789.000000001")], pa.decimal128(28, 9)),
            "f": [float("nan")],
            "l": [["x", "y"]],
            "b": [True],
            "none": pa.array([None], pa.string()),
        }
    )
    text = written(table, fmt="json")
    assert json.loads(text, parse_float=Decimal) == [
        {"d": Decimal("1234567890123456789.000000001"), "f": None, "l": ["x", "y"], "b": True, "none": None}
    ]
    assert written(table.slice(0, 0), fmt="json") == "[]\n"


def test_json_of_a_document_replaces_the_rows() -> None:
    text = written(small(), fmt="json", document={"balanced": True, "files": [], "at": AT, "n": {"a": 1}})
    assert json.loads(text) == {"balanced": True, "files": [], "at": "2026-10-25T01:30:00Z", "n": {"a": 1}}


def test_parquet_goes_to_the_bytes_below_the_text() -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="utf-8")
    write_table(small(), stream, fmt="parquet")
    assert pq.read_table(io.BytesIO(raw.getvalue())).equals(small())


def test_parquet_to_a_terminal_and_an_unknown_format_are_refused() -> None:
    with pytest.raises(UsageError, match="no text for a terminal"):
        written(small(), Terminal(), fmt="parquet")
    with pytest.raises(UsageError, match=r"no format 'xml'.*table, csv, json, parquet"):
        written(small(), fmt="xml")


def test_columns_of_one_name_are_told_apart() -> None:
    table = pa.Table.from_arrays([pa.array([1]), pa.array([2])], names=["a", "a"])
    assert written(table, fmt="csv") == "a,a_2\n1,2\n"
    assert json.loads(written(table, fmt="json")) == [{"a": 1, "a_2": 2}]


def test_no_rows_and_no_columns() -> None:
    assert written(small().slice(0, 0), fmt="table").endswith("(no rows)\n")
    assert written(small().slice(0, 0)) == "area,n,share,amount,at\n"
    assert written(pa.table({}), fmt="table") == ""


def test_a_total_row_is_for_the_drawn_table_only() -> None:
    total = {"area": "all", "n": 12350}
    assert written(small(), fmt="table", total=total).splitlines()[-1] == "all             12350"
    assert "all" not in written(small(), fmt="csv", total=total)


def test_a_stream_that_cannot_hold_a_letter_gets_its_escape() -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    write_table(pa.table({"a": ["é"]}), stream, fmt="table")
    stream.flush()
    assert raw.getvalue().splitlines()[-1] == b"\\xe9"


def test_many_rows_are_all_written() -> None:
    table = pa.table({"n": list(range(25_000))})
    assert written(table).splitlines() == ["n", *map(str, range(25_000))]
    assert json.loads(written(table, fmt="json")) == [{"n": n} for n in range(25_000)]


def test_a_stream_is_written_as_a_whole_table_is(tmp_path: Path) -> None:
    table = pa.table({"a": pa.array(range(25_000)), "b": ["x,y"] * 25_000})
    table = pa.Table.from_arrays(table.columns, names=["a", "a"])
    for form in ("csv", "parquet"):
        whole, streamed = tmp_path / f"whole.{form}", tmp_path / f"streamed.{form}"
        with whole.open("w", newline="", encoding="utf-8") as stream:
            write_table(table, stream, form)
        with streamed.open("w", newline="", encoding="utf-8") as stream:
            write_stream(table.to_reader(1000), stream, form)
        if form == "csv":
            assert streamed.read_bytes() == whole.read_bytes()
        else:
            assert pq.read_table(streamed).equals(pq.read_table(whole))
            assert pq.read_table(streamed).column_names == ["a", "a_2"]


def test_what_must_be_seen_whole_is_no_stream() -> None:
    with pytest.raises(UsageError, match="cannot be streamed as 'json'"):
        write_stream(pa.table({"a": [1]}).to_reader(), io.StringIO(), "json")
