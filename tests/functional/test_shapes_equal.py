"""One log in every shape, encoding and compression: the same events in every column but lineage."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import pytest

from dripledger.site import Site, load_site
from tests.event_samples import drop, events, make_site, read, rows
from tests.functional.written_logs import BY_NAME, FORMS, RECORDS, ROWS, Form, gzipped, packed
from tests.marks import LONG

#: Ingests one log into a site in a folder.
Ingested = Callable[..., Site]

#: The demo's key; the log is invented.
PEOPLE = "[people]\ndemo_seed = 7\n"

ENCODED: dict[str, tuple[str, Callable[[bytes], bytes]]] = {
    "utf-8 with a mark": ("", lambda data: b"\xef\xbb\xbf" + data),
    "utf-16": ("", lambda data: data.decode().encode("utf-16")),
    "utf-16 the other way round": ("", lambda data: b"\xfe\xff" + data.decode().encode("utf-16-be")),
    "utf-16 without a mark": ("", lambda data: data.decode().encode("utf-16-le")),
    "utf-16 declared": ('encoding = "utf-16"', lambda data: data.decode().encode("utf-16")),
    "windows-1252": ('encoding = "windows-1252"', lambda data: data.decode().encode("cp1252")),
}
PACKED: dict[str, tuple[str, Callable[[bytes], bytes]]] = {
    "gzip": ("log.txt.gz", gzipped),
    "zip": ("export.zip", lambda data: packed({"log.txt": data})),
    "zip with folders and more in it": (
        "export.zip",
        lambda data: packed({"readme.md": b"not a log", "ward 1/log.txt": data, "__MACOSX/log.txt": b"x"}),
    ),
    "gzip inside a zip": ("export.zip", lambda data: packed({"log.txt.gz": gzipped(data)})),
}


def _forms(*always: str) -> list[Any]:
    """Return all forms, of which a plain run takes these."""
    return [pytest.param(form, marks=() if form.name in always else LONG, id=form.name) for form in FORMS]


def _ingest(root: Path, form: Form, data: bytes, name: str = "log.txt", extra: str = "") -> Site:
    site = make_site(root, {"log": form.mapping(extra)}, PEOPLE)
    drop(site, name, data)
    result = read(site)
    assert not result.failures, [str(f) for f in result.failures]
    (file,) = result.files
    assert file.balanced
    counts = (file.rows_read, file.events_kept, file.duplicates, file.quarantined, file.rows_ignored)
    assert counts == (RECORDS, 7, 1, 1, 1)
    return site


@pytest.fixture(scope="module")
def ingested(tmp_path_factory: pytest.TempPathFactory) -> Ingested:
    """Return what ingests one log into a site in a folder; the same log is read once, and the site copied."""
    made: dict[tuple[object, ...], Path] = {}

    def site_of(root: Path, form: Form, data: bytes, name: str = "log.txt", extra: str = "") -> Site:
        key = (form.name, data, name, extra)
        if key not in made:
            made[key] = tmp_path_factory.mktemp("ingested") / "site"
            _ingest(made[key], form, data, name, extra)
        shutil.copytree(made[key], root, dirs_exist_ok=True)
        return load_site(root)

    return site_of


def _told(site: Site) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    waiting = rows(site, "select source_record, reasons, explanation, pump_id, sequence from quarantined")
    return events(site), waiting


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[tuple[object, ...]], ...]:
    form = BY_NAME["comma"]
    return _told(_ingest(tmp_path_factory.mktemp("expected"), form, form.write(ROWS)))


def test_the_log_is_what_it_should_be(expected: tuple[list[tuple[object, ...]], ...]) -> None:
    told, waiting = expected
    assert len(told) == 8
    assert [(row[0], row[1]) for row in waiting] == [(6, ["time_format"])]


@pytest.mark.parametrize(
    "form",
    _forms("footer", "json_lines", "json_deep", "xml_attributes", "fixed_width", "ods"),
)
def test_shape(tmp_path: Path, ingested: Ingested, expected: object, form: Form) -> None:
    assert _told(ingested(tmp_path, form, form.write(ROWS))) == expected


def _pairs(names: Sequence[str], others: Iterable[str], always: str, plain: Sequence[str]) -> list[Any]:
    """Return (name, other) pairs: before a merge each name with `always`, and the first name with each.

    Of these a plain run takes what is in `plain`: the first name with each, the others with `always`.
    """

    def marks(name: str, other: str) -> Any:
        if name != names[0] and other != always:
            return pytest.mark.slow
        return () if (other if name == names[0] else name) in plain else LONG

    return [pytest.param(name, other, marks=marks(name, other)) for name in names for other in others]


@pytest.mark.parametrize(
    ("name", "encoding"),
    _pairs(
        ["semicolon", "footer", "json_lines", "json_deep", "xml_children", "fixed_width"],
        ENCODED,
        "utf-16",
        plain=("utf-8 with a mark", "utf-16 without a mark", "windows-1252", "json_deep", "fixed_width"),
    ),
)
def test_encoding(tmp_path: Path, ingested: Ingested, expected: object, name: str, encoding: str) -> None:
    extra, encode = ENCODED[encoding]
    form = BY_NAME[name]
    site = ingested(tmp_path, form, encode(form.write(ROWS)), extra=extra)
    assert _told(site) == expected


@pytest.mark.parametrize(
    ("name", "compression"),
    _pairs(
        ["comma", "json_lines", "json_array", "xml_attributes", "fixed_width", "xlsx"],
        PACKED,
        "zip",
        plain=("zip with folders and more in it", "gzip inside a zip", "json_array", "xlsx"),
    ),
)
def test_compression(tmp_path: Path, expected: object, name: str, compression: str) -> None:
    file, pack = PACKED[compression]
    form = BY_NAME[name]
    site = _ingest(tmp_path, form, pack(form.write(ROWS)), file)
    assert _told(site) == expected
    again = read(site)
    assert [f.already_read for f in again.files] == [True]
    assert again.ingest_id is None


def _as_sent(form: Form) -> tuple[bytes, str]:
    """Return a log and its name: a text in another encoding and compressed."""
    data = form.write(ROWS)
    return (gzipped(data.decode().encode("utf-16")), "log.gz") if form.text else (data, "log")


@pytest.mark.parametrize(
    "name",
    [
        "semicolon",
        *(pytest.param(name, marks=LONG) for name in ("json_lines", "json_deep", "fixed_width")),
        "xml_children",
    ],
)
def test_encoded_and_compressed(tmp_path: Path, ingested: Ingested, expected: object, name: str) -> None:
    form = BY_NAME[name]
    assert _told(ingested(tmp_path, form, *_as_sent(form))) == expected


@pytest.mark.parametrize(
    "zipped", [pytest.param(False, id="folder"), pytest.param(True, marks=LONG, id="zip")]
)
@pytest.mark.parametrize("form", _forms("json_deep", "xlsx"))
def test_many_files(tmp_path: Path, expected: object, form: Form, zipped: bool) -> None:
    """Two files hold the log; in a folder as in a zip each has its own line in the balance."""
    site = make_site(tmp_path, {"log": form.mapping()}, PEOPLE)
    halves = {"a/log 1": form.write(ROWS[:6]), "b/log 2": form.write(ROWS[6:])}
    if zipped:
        drop(site, "wards.zip", packed(dict(halves)))
    else:
        for name, data in halves.items():
            drop(site, f"wards/{name}", data)
    result = read(site)
    assert not result.failures, [str(f) for f in result.failures]
    folder = "wards.zip" if zipped else "wards"
    assert [f.path for f in result.files] == [f"{folder}/a/log 1", f"{folder}/b/log 2"]
    assert [f.rows_read for f in result.files] == [6, 4]
    assert _told(site) == expected


@pytest.mark.parametrize(
    "form",
    [one for one in _forms("comma", "xml_children") if one.values[0].text],
)
def test_small_frames(tmp_path: Path, expected: object, form: Form, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks that end anywhere change nothing."""
    monkeypatch.setattr("dripledger.sources.originals.FRAME_BYTES", 97)
    assert _told(_ingest(tmp_path, form, gzipped(form.write(ROWS)), "log.gz")) == expected


@pytest.mark.parametrize("form", _forms("fixed_width", "xlsx"))
def test_what_waits_is_found_at_its_place(tmp_path: Path, ingested: Ingested, form: Form) -> None:
    """The place of a waiting record is that in the unpacked file, whatever its encoding."""
    data = form.write(ROWS)
    extra = ""
    if form.text:
        data = data.decode().encode("utf-16")
    site = ingested(tmp_path, form, data, extra=extra)
    ((offset, length),) = rows(site, "select byte_offset, byte_length from quarantined")
    assert isinstance(offset, int)
    assert isinstance(length, int)
    if form.text:
        text = data[offset : offset + length].decode("utf-16-le")
        assert "no time at all" in text
        assert text.count("RATE") == 1
        assert "STOP" not in text


@pytest.mark.parametrize("form", _forms("xml_attributes", "xlsx"))
def test_retry_reads_the_same_record(tmp_path: Path, ingested: Ingested, form: Form) -> None:
    from dripledger.events.quarantine import retry

    sent = _as_sent(form) if form.text else (gzipped(form.write(ROWS)), "log.gz")
    site = ingested(tmp_path, form, *sent)
    path = site.sources / "log.toml"
    rule = f'[[ignore]]\nwhen = "{_quoted(form, "Time")} = \'no time at all\'"\nreason = "a test"\n'
    path.write_text(path.read_text(encoding="utf-8") + rule, encoding="utf-8")
    result = retry(load_site(site.root), build=False)
    assert result.total("rows_ignored") == 1
    assert rows(site, "select count(*) from quarantined") == [(0,)]


def _quoted(form: Form, column: str) -> str:
    name = form.names[("Device", "Time").index(column)]
    return f'\\"{name}\\"'


@pytest.mark.parametrize("form", _forms("json_deep", "fixed_width"))
def test_what_is_filed_later_is_derived_from_the_original(
    tmp_path: Path, ingested: Ingested, form: Form
) -> None:
    """Read again from the originals, whatever the shape: one label was filed, one event changes."""
    site = ingested(tmp_path, form, *_as_sent(form))
    path = site.sources / "log.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[kinds]", '[kinds]\n"new label" = "powered_off"'), encoding="utf-8")
    assert read(site).rederived == 1
    assert rows(site, "select sequence from events where kind = 'powered_off'") == [(10,)]
