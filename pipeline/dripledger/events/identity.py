"""SQL of what tells events apart: the text behind an id, the digest of its values, the key of candidates."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from dripledger.sources.staging import quoted

_ORDINAL: Final = "chr(31)"
#: What an identity is made of as far as `events` holds it; equal identities have equal values here.
_KEY: Final = "hash(pump_id, device_time, kind_logged, sequence, record_id, record_place)"


def meeting_key(own_identity: bool) -> str:
    """Return SQL over `typed` of the hash by which events are found that could be one.

    Parameters
    ----------
    own_identity
        Whether the mapping declares an identity of its own.
    """
    if own_identity:
        return f"hash(md5({identity_sql('0')}))"
    return _KEY.replace("record_place", "own_place")


def ledger_key(own_identity: Iterable[str]) -> str:
    """Return SQL over `events` of the same hash.

    Parameters
    ----------
    own_identity
        Names of the sources whose mapping declares an identity of its own.
    """
    names = ", ".join(quoted(name) for name in own_identity)
    return f"case when source_name in ({names}) then hash(event_id) else {_KEY} end" if names else _KEY


def digest_sql() -> str:
    """Return SQL of the digest of an event's values.

    It is compared between records of one identity only, so 63 bits do, and cost a quarter of the text of
    an md5 to write.
    """
    return "cast(md5_number(t.values_text) >> 65 as bigint)"


def identity_sql(ordinal: str) -> str:
    """Return SQL of the text whose md5 is the event's id.

    Parameters
    ----------
    ordinal
        SQL of the ordinal among identical records of one file.
    """
    return f"t.identity_text || case when t.counted then {_ORDINAL} || cast({ordinal} as varchar) else '' end"
