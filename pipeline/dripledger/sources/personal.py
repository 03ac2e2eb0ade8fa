"""Pseudonyms: HMAC-SHA-256 under a key that never touches the store."""

from __future__ import annotations

import hashlib
import hmac
import os
import stat
from typing import Final

import duckdb
import pyarrow as pa
from duckdb.func import FunctionNullHandling, PythonUDFType

from dripledger.errors import ConfigurationError
from dripledger.site import Site

KEY_VARIABLE: Final = "DRIPLEDGER_KEY"


def load_key(site: Site) -> bytes | None:
    """Return the key for pseudonyms: from the environment, the key file, or (invented data) the demo's seed.

    Raises
    ------
    ConfigurationError
        If the key file is missing, empty, or readable by others than its owner.
    """
    text = os.environ.get(KEY_VARIABLE)
    if text:
        return text.encode("utf-8")
    people = site.settings.people
    if people.key_file is not None:
        path = site.root / people.key_file
        where = f"{site.root / 'site.toml'}, people.key_file"
        try:
            mode = path.stat().st_mode
            key = path.read_bytes().strip()
        except OSError as error:
            raise ConfigurationError(f"{path} cannot be read: {error.strerror}", where=where) from None
        if stat.S_IMODE(mode) & 0o077:
            raise ConfigurationError(
                f"{path} can be read by others than its owner", where=where, do=f"Run: chmod 600 {path}"
            )
        if not key:
            raise ConfigurationError(f"{path} is empty", where=where, do="Put a long random text into it")
        return key
    if people.demo_seed is not None:
        return hashlib.sha256(f"invented data, seed {people.demo_seed}".encode()).digest()
    return None


def need_key(site: Site, source: str, fields: frozenset[str]) -> bytes:
    """Return the key, or refuse: a keyed field without a key is never read."""
    key = load_key(site)
    if key is None:
        named = ", ".join(sorted(fields))
        raise ConfigurationError(
            f"the personal fields {named} are to be keyed, and there is no key",
            where=f"source {source!r}",
            do=f"Set {KEY_VARIABLE}, or name an owner-only file under people.key_file in site.toml",
        )
    return key


class Pseudonyms:
    """Keyed pseudonyms of trimmed values; an empty value stays null."""

    def __init__(self, key: bytes) -> None:
        self._key = key
        self._known: dict[str, str] = {}

    def of(self, value: str | None) -> str | None:
        """Return the pseudonym of one value, hexadecimal."""
        if value is None or not (value := value.strip()):
            return None
        found = self._known.get(value)
        if found is None:
            found = hmac.new(self._key, value.encode("utf-8"), hashlib.sha256).hexdigest()
            if len(self._known) < 1_000_000:
                self._known[value] = found
        return found

    def column(self, values: pa.Array) -> pa.Array:
        """Return the pseudonyms of an Arrow text column; each distinct value is computed once a batch."""
        if isinstance(values, pa.ChunkedArray):
            values = values.combine_chunks()
        coded = values.dictionary_encode()
        names = pa.array([self.of(v) for v in coded.dictionary.to_pylist()], pa.string())
        return names.take(coded.indices)

    def lists(self, values: pa.Array) -> pa.Array:
        """Return the pseudonyms of an Arrow column of lists of text."""
        return pa.array(
            [None if row is None else [self.of(v) for v in row] for row in values.to_pylist()],
            pa.list_(pa.string()),
        )

    def register(self, con: duckdb.DuckDBPyConnection) -> None:
        """Make the functions `keyed(text)` and `keyed_list(text[])` of a connection."""
        for name, function, kind in (
            ("keyed", self.column, "VARCHAR"),
            ("keyed_list", self.lists, "VARCHAR[]"),
        ):
            con.create_function(
                name, function, [kind], kind, type=PythonUDFType.ARROW,
                null_handling=FunctionNullHandling.SPECIAL,
            )  # fmt: skip
