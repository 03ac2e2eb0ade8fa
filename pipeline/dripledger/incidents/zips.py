"""One canonical zip: members stored, sorted by name, header fields fixed. Same members, same bytes."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Mapping
from typing import Final

#: 1 January 1980, midnight: the earliest that a zip can say, so that it says nothing.
_DATE: Final = 0x0021
_TIME: Final = 0
#: Version 2.0 is enough; made on Unix, so that the mode is read.
_NEEDED, _MADE_BY = 20, (3 << 8) | 20
#: Names are UTF-8.
_FLAGS: Final = 0x0800
_MODE: Final = (0o100600 << 16) & 0xFFFFFFFF
_LARGEST: Final = 0xFFFFFFFE


class NotCanonicalError(ValueError):
    """The bytes are no zip, or not the one zip that their members make."""


def pack(members: Mapping[str, bytes]) -> bytes:
    """Return the canonical zip of some members.

    Parameters
    ----------
    members
        Name -> content.

    Raises
    ------
    ValueError
        If it would need the larger format: more than 65,534 members or 4 GiB.
    """
    body, directory = io.BytesIO(), io.BytesIO()
    if len(members) >= 0xFFFF:
        raise ValueError("too many members for a packet")
    for name in sorted(members):
        data, raw = members[name], name.encode("utf-8")
        offset = body.tell()
        if offset + len(data) > _LARGEST:
            raise ValueError("too large for a packet")
        crc = zlib.crc32(data)
        common = struct.pack(
            "<HHHHHIIIHH", _NEEDED, _FLAGS, 0, _TIME, _DATE, crc, len(data), len(data), len(raw), 0
        )
        # crc and sizes stand after time and date: one layout for both headers but for what the directory adds
        body.write(b"PK\x03\x04" + common + raw + data)
        directory.write(
            b"PK\x01\x02"
            + struct.pack("<H", _MADE_BY)
            + common
            + struct.pack("<HHHII", 0, 0, 0, _MODE, offset)
            + raw
        )
    start, length = body.tell(), directory.tell()
    end = struct.pack("<HHHHIIH", 0, 0, len(members), len(members), length, start, 0)
    return body.getvalue() + directory.getvalue() + b"PK\x05\x06" + end


def unpack(data: bytes) -> dict[str, bytes]:
    """Return the members of a canonical zip.

    Raises
    ------
    NotCanonicalError
        If the bytes are no zip, or differ anywhere from the canonical zip of what they hold.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = archive.namelist()
            if len(set(names)) != len(names):
                raise NotCanonicalError("two members have one name")
            members = {name: archive.read(name) for name in names}
    except NotCanonicalError:
        raise
    except Exception as error:  # a damaged zip fails in many ways, each of them a damaged zip
        raise NotCanonicalError(f"is no readable zip: {error}") from None
    if pack(members) != data:
        raise NotCanonicalError("its bytes are not those that its members make")
    return members
