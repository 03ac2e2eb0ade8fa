"""A key that is lost, exchanged or open to others: what follows is what the documents say."""

from __future__ import annotations

import secrets
import shutil
from pathlib import Path

import pytest
from tests.event_samples import drop, make_site, rows

from dripledger.cli import main
from dripledger.errors import ConfigurationError
from dripledger.events import ingest
from dripledger.site import Site, load_site

KEYED = """
pattern = ["people*.csv"]
shape = "delimited"
records = ["all"]
[time]
zone = "UTC"
[fields]
pump_id = "Pump"
device_time = "Time"
kind = { value = "infusion_started" }
patient_key = { field = "Case", personal = "key" }
"""
LOG = "Pump,Time,Case\nP1,2026-10-{day}T08:00:00,MRN-4711\n"


@pytest.fixture(scope="module")
def keyed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a key, and a site that was written with it: made once, copied for each test."""
    folder = tmp_path_factory.mktemp("keyed")
    key = folder / "site.key"
    key.write_text(secrets.token_hex(32), encoding="ascii")
    key.chmod(0o600)
    made = make_site(folder / "site", {"people": KEYED}, f'[people]\nkey_file = "{key}"\n')
    drop(made, "people1.csv", LOG.format(day="01"))
    with pytest.MonkeyPatch.context() as patched:
        patched.delenv("DRIPLEDGER_KEY", raising=False)
        ingest(load_site(made.root))
    drop(made, "people2.csv", LOG.format(day="02"))
    return folder


@pytest.fixture
def site(tmp_path: Path, keyed: Path, monkeypatch: pytest.MonkeyPatch) -> Site:
    """Return a site that was written with the key beside it, and has something new to read."""
    monkeypatch.delenv("DRIPLEDGER_KEY", raising=False)
    shutil.copytree(keyed, tmp_path, dirs_exist_ok=True)
    settings = tmp_path / "site" / "site.toml"
    text = settings.read_text(encoding="utf-8").replace(str(keyed), str(tmp_path))
    settings.write_text(text, encoding="utf-8")
    return load_site(settings.parent)


def key_of(site: Site) -> Path:
    return site.root.parent / "site.key"


def people(site: Site) -> list[tuple[object, ...]]:
    return rows(site, "select distinct patient_key from events")


def test_with_its_key_the_same_patient_stays_one(site: Site) -> None:
    before = people(site)
    ingest(load_site(site.root))
    assert len(rows(site, "select * from events")) == 2
    assert people(site) == before


def test_a_lost_key_stops_what_is_new_and_nothing_else(
    site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    before = people(site)
    key_of(site).unlink()
    assert main(["ingest", "--site", str(site.root)]) == 2
    assert "cannot be read" in capsys.readouterr().err
    assert main(["ingest", "--redo", "people", "--site", str(site.root)]) == 2
    # what was read stands, and can be read, reported and verified without the key
    for command in (["balance"], ["status"], ["report", "--month", "2026-10"], ["query", "select 1 as a"]):
        assert main([*command, "--site", str(site.root)]) == 0, command
    assert main(["verify", str(site.store)]) == 0
    assert people(site) == before


def test_another_key_is_refused_and_a_new_store_makes_new_patients(site: Site) -> None:
    before = people(site)
    key_of(site).write_text(secrets.token_hex(32), encoding="ascii")
    with pytest.raises(ConfigurationError, match=r"another key.*A new key needs a new store"):
        ingest(load_site(site.root))
    assert people(site) == before
    # the documented way: the store moved away, the logs read again
    site.store.rename(site.root / "store-until-today")
    ingest(load_site(site.root))
    assert len(rows(site, "select * from events")) == 2
    (after,) = people(site)
    assert [after] != before


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o602, 0o610])
def test_a_key_that_others_can_reach_is_refused(site: Site, mode: int) -> None:
    key_of(site).chmod(mode)
    with pytest.raises(ConfigurationError, match="read by others than its owner"):
        ingest(load_site(site.root))


def test_a_key_inside_the_site_or_behind_a_link_into_it_is_refused(site: Site) -> None:
    inside = site.root / "my.key"
    key_of(site).rename(inside)
    key_of(site).symlink_to(inside)
    with pytest.raises(ConfigurationError, match="inside the site folder"):
        ingest(load_site(site.root))


@pytest.mark.parametrize("text", ["", "short", "x" * 15, "\n\n"])
def test_a_short_key_is_refused(site: Site, text: str) -> None:
    key_of(site).write_text(text, encoding="ascii")
    with pytest.raises(ConfigurationError, match="can be found by trying"):
        ingest(load_site(site.root))
