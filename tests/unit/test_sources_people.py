"""People in the store: only as pseudonyms, always of the same key, whatever a source calls itself."""

from __future__ import annotations

import hashlib
import hmac
import stat
from pathlib import Path

import pytest
from tests.event_samples import drop, events, make_site, read, rows, waiting

from dripledger.errors import ConfigurationError
from dripledger.site import Site, load_site
from dripledger.sources.personal import load_key
from dripledger.store import Ledger, is_sound, verify_store

KEY = "a key for this test"
PLAIN = """
pattern = ["*.csv"]
shape = "delimited"
canonical = true
records = ["all"]
[time]
zone = "UTC"
"""
NESTED = PLAIN.replace("*.csv", "*.jsonl").replace("delimited", "json_lines") + '[json_lines]\neach = "all"\n'
HEADER = "pump_id,device_time,kind,patient_key,order_key\n"
KEYED = """
pattern = ["*.csv"]
shape = "delimited"
records = ["all"]
[time]
zone = "UTC"
[fields]
pump_id = "Device"
device_time = "Time"
kind = { value = "infusion_started" }
patient_key = "MRN"
care_area = { lookup = "stays", by = "MRN", column = "unit" }
[lookups.stays]
file = "stays.csv"
key = "MRN"
"""
LOG = "Device,Time,MRN\nP1,2026-10-01 10:00:00, 4711-0086\n"


def pseudonym(value: str, key: str = KEY) -> str:
    """Return the pseudonym as its definition says: HMAC-SHA-256 of the value under the key."""
    return hmac.new(key.encode(), value.encode(), hashlib.sha256).hexdigest()


def holds(site: Site, *words: bytes) -> list[Path]:
    """Return the files of the store in which one of the words stands."""
    return [p for p in site.store.rglob("*") if p.is_file() and any(word in p.read_bytes() for word in words)]


@pytest.mark.parametrize("padding", ["", "  "], ids=["clean", "padded"])
@pytest.mark.parametrize("broken", ["", "P1,cut\n"], ids=["quick path", "exact path"])
def test_canonical_people_are_keyed_unless_they_are_pseudonyms(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, padding: str, broken: str
) -> None:
    monkeypatch.setenv("DRIPLEDGER_KEY", KEY)
    site = make_site(tmp_path, {"plain": PLAIN})
    made = "0123456789abcdef" * 4
    drop(
        site,
        "plain.csv",
        f"{HEADER}P1,2026-10-01T10:00:00,infusion_started,{padding}MRN4711,ORD9\n"
        f"P1,2026-10-01T11:00:00,infusion_stopped,{made},\nP1,x,infusion_started,MRN4711,ORD9\n{broken}",
    )
    read(site)
    assert rows(site, "select patient_key, order_key from events order by device_time") == [
        (pseudonym("MRN4711"), pseudonym("ORD9")),
        (made, None),
    ]
    assert len(waiting(site)) == 1 + bool(broken)
    assert holds(site, b"MRN4711", b"ORD9") == []


def test_canonical_people_in_records_and_elements(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRIPLEDGER_KEY", KEY)
    site = make_site(tmp_path, {"nested": NESTED})
    drop(
        site,
        "a.jsonl",
        '{"pump_id": "P1", "patient_key": "MRN4711", "all": [{"device_time": "2026-10-01T10:00:00", '
        '"kind": "infusion_started", "order_key": "ORD9"}]}\n',
    )
    read(site)
    assert events(site, ("patient_key", "order_key")) == [(pseudonym("MRN4711"), pseudonym("ORD9"))]


@pytest.mark.parametrize("broken", ["", "P1,cut\n"], ids=["quick path", "exact path"])
def test_canonical_people_need_a_key_only_where_there_are_some(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    monkeypatch.delenv("DRIPLEDGER_KEY", raising=False)
    site = make_site(tmp_path, {"plain": PLAIN})
    drop(site, "a.csv", f"{HEADER}P1,2026-10-01T10:00:00,infusion_started,,{'a' * 64}\n{broken}")
    assert read(site).total("events") == 1
    drop(site, "b.csv", f"{HEADER}P1,2026-10-01T11:00:00,infusion_stopped,MRN4711,\n{broken}")
    with pytest.raises(ConfigurationError, match="patient_key") as caught:
        read(site)
    assert "4711" not in str(caught.value)
    assert rows(site, "select count(*) from events") == [(1,)]


def test_json_without_a_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DRIPLEDGER_KEY", raising=False)
    site = make_site(tmp_path, {"nested": NESTED})
    line = '{"pump_id": "P1", "all": [{"device_time": "2026-10-01T10:00", "kind": "infusion_started"%s}]}\n'
    drop(site, "a.jsonl", line % "")
    assert read(site).total("events") == 1
    drop(site, "b.jsonl", line % ', "patient_key": "MRN4711"')
    with pytest.raises(ConfigurationError, match="patient_key"):
        read(site)


@pytest.mark.parametrize(
    "spec", ['{ lookup = "stays", by = "MRN", column = "unit" }', '{ expr = "MRN || Device" }'],
    ids=["from a lookup", "from a field that is not keyed"],
)  # fmt: skip
def test_what_would_bring_raw_people_is_refused(tmp_path: Path, spec: str) -> None:
    text = KEYED.replace('patient_key = "MRN"', f"patient_key = {spec}")
    site = make_site(tmp_path, {"people": text + '[personal]\nkey = ["MRN"]\n'})
    (site.sources / "stays.csv").write_text("MRN,unit\n")
    drop(site, "a.csv", LOG)
    with pytest.raises(ConfigurationError, match="patient_key"):
        read(site)


def test_lookup_by_a_keyed_field(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The key column of the lookup is keyed while it is loaded, and the store keeps no copy of the file."""
    monkeypatch.setenv("DRIPLEDGER_KEY", KEY)
    site = make_site(tmp_path, {"people": KEYED})
    stays = site.sources / "stays.csv"
    stays.write_text("MRN,unit\n4711-0086,ICU\n4711-0099,Ward\n")
    drop(site, "a.csv", LOG)
    read(site)
    assert events(site, ("patient_key", "care_area")) == [(pseudonym("4711-0086"), "ICU")]
    assert holds(site, b"4711-0086", b"4711-0099") == []
    assert is_sound(verify_store(site.store))
    stays.write_text("MRN,unit\n4711-0086,Theatre\n")
    assert read(site).rederived == 1
    assert events(site, ("care_area",)) == [("Theatre",)]
    stays.write_text("MRN,unit\n4711-0086,Theatre\n4711-0086,Ward\n")
    with pytest.raises(ConfigurationError, match="two values") as caught:
        read(site)
    assert "4711" not in str(caught.value)


def test_key_is_long_enough_and_trimmed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = make_site(tmp_path / "site", extra='[people]\nkey_file = "../key"\n')
    key = tmp_path / "key"
    key.touch(0o600)
    monkeypatch.setenv("DRIPLEDGER_KEY", "ab")
    with pytest.raises(ConfigurationError, match="2 bytes"):
        load_key(site)
    monkeypatch.setenv("DRIPLEDGER_KEY", f" {KEY}\n")
    assert load_key(site) == KEY.encode()
    monkeypatch.delenv("DRIPLEDGER_KEY")
    key.write_text("fifteen bytes..\n")
    with pytest.raises(ConfigurationError, match="15 bytes"):
        load_key(site)
    key.write_text("sixteen bytes...\n")
    assert load_key(site) == b"sixteen bytes..."


def test_invented_data_keep_their_own_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = make_site(tmp_path, extra="[people]\ndemo_seed = 3\n")
    before = load_key(site)
    monkeypatch.setenv("DRIPLEDGER_KEY", KEY)
    assert load_key(site) == before
    both = make_site(tmp_path, extra='[people]\ndemo_seed = 3\nkey_file = "key"\n')
    with pytest.raises(ConfigurationError, match="demo_seed"):
        load_key(both)


def test_another_key_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRIPLEDGER_KEY", KEY)
    site = make_site(tmp_path, {"people": KEYED})
    (site.sources / "stays.csv").write_text("MRN,unit\n")
    mark = site.store / "key_fingerprint"
    drop(site, "a.csv", "Device,Time\n")
    assert read(site).failures
    assert not mark.exists()
    drop(site, "a.csv", LOG)
    read(site)
    assert len(mark.read_text().strip()) == 64
    assert stat.S_IMODE(mark.stat().st_mode) == 0o600
    monkeypatch.setenv("DRIPLEDGER_KEY", f"{KEY} and more")
    drop(site, "b.csv", LOG.replace("10:00", "11:00"))
    with pytest.raises(ConfigurationError, match="another key") as caught:
        read(site)
    assert caught.value.exit_code == 2
    assert caught.value.do
    monkeypatch.setenv("DRIPLEDGER_KEY", KEY)
    assert read(load_site(tmp_path)).total("events") == 1
    assert Ledger.open(site.store).snapshot().version == 2


def test_key_inside_the_site_folder_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DRIPLEDGER_KEY", raising=False)
    site = make_site(tmp_path / "site", extra='[people]\nkey_file = "sources/key"\n')
    (tmp_path / "site" / "sources" / "key").write_text(KEY)
    (tmp_path / "site" / "sources" / "key").chmod(0o600)
    with pytest.raises(ConfigurationError, match="lies inside the site folder"):
        load_key(site)
