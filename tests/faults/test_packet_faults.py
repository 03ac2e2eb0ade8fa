"""A packet with any one byte changed, anything added, dropped or swapped: each is found, with exit code 5."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest
from tests.event_samples import HEADER, drop, make_site

from dripledger.cli import main
from dripledger.events.ingest import ingest
from dripledger.incidents import Asked, make_packet, parse_moment, verify_packet
from dripledger.incidents.zips import pack, unpack
from dripledger.site import load_site
from dripledger.store import Ledger, is_sound


@pytest.fixture(scope="module")
def packet(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    root = tmp_path_factory.mktemp("faults") / "site"
    site = make_site(root)
    drop(
        site,
        "wards1.csv",
        HEADER + "P1,2026-10-05T08:00:00,1,START,ICU,morphine,10,70\nP1,2026-10-05T08:30:00,2,RATE,,,100,\n"
        "P1,2026-10-05T09:00:00,3,STOP,,,,\n",
    )
    ingest(load_site(root))
    snapshot = Ledger.open(site.store).snapshot()
    begins, ends = (parse_moment(f"2026-10-05T{t}", site.zone, "") for t in ("08:00", "09:00"))
    data, _ = make_packet(load_site(root), snapshot, Asked("P1", None, begins, ends))
    assert verify_packet(data) == []
    return data


def caught(data: bytes) -> bool:
    return not is_sound(verify_packet(data))


@pytest.mark.parametrize("count", [60, pytest.param(500, marks=pytest.mark.slow)])
def test_random_single_bytes(packet: bytes, count: int) -> None:
    rng = np.random.Generator(np.random.PCG64(8))
    missed = []
    for place in rng.choice(len(packet), count, replace=False):
        wrong = bytearray(packet)
        wrong[place] ^= int(rng.integers(1, 256))
        if not caught(bytes(wrong)):
            missed.append(int(place))
    assert missed == []


def test_every_byte_of_headers_and_directory(packet: bytes) -> None:
    """The places that a plain check of members would not look at: the last 600 bytes and the first header."""
    places = [*range(60), *range(len(packet) - 600, len(packet), 7)]
    for place in places:
        wrong = bytearray(packet)
        wrong[place] ^= 1
        assert caught(bytes(wrong)), place


@pytest.mark.parametrize("tail", [b"\n", b"\0" * 22, b"PK\x05\x06" + b"\0" * 18])
def test_appended_bytes(packet: bytes, tail: bytes) -> None:
    assert caught(packet + tail)
    assert caught(tail + packet)


@pytest.mark.parametrize("length", [0, 1, 100, 5000])
def test_cut_off(packet: bytes, length: int) -> None:
    assert caught(packet[:length])
    assert caught(packet[: len(packet) - 1 - length])


def test_dropped_added_renamed_and_swapped_members(packet: bytes) -> None:
    members = unpack(packet)
    for name in members:
        assert caught(pack({n: d for n, d in members.items() if n != name})), name
    assert caught(pack({**members, "note.txt": b"mine"}))
    assert caught(pack({("x" + n if n == "README.txt" else n): d for n, d in members.items()}))
    swapped = {**members, "README.txt": members["library.csv"], "library.csv": members["README.txt"]}
    assert caught(pack(swapped))


def test_the_same_members_zipped_by_another_program(packet: bytes) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in unpack(packet).items():
            archive.writestr(name, data)
    assert caught(out.getvalue())


def test_the_command_line_ends_with_5(
    packet: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "packet.zip"
    path.write_bytes(packet)
    assert main(["verify", str(path)]) == 0
    path.write_bytes(packet[:-1] + b"\x01")
    assert main(["verify", str(path)]) == 5
    assert "Make the packet again from the store" in capsys.readouterr().err
