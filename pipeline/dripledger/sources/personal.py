"""Pseudonyms: HMAC-SHA-256 under a key that never touches the store."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import os
import re
import stat
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import duckdb
import pyarrow as pa
from duckdb.func import FunctionNullHandling, PythonUDFType

from dripledger.errors import ConfigurationError
from dripledger.site import Site

KEY_VARIABLE: Final = "DRIPLEDGER_KEY"
#: A shorter key could be found by trying.
SHORTEST_KEY_BYTES: Final = 16
_PSEUDONYM: Final = re.compile(r"[0-9A-Fa-f]{64}")
#: What the fingerprint of a key is the HMAC of; no value of a log is ever two lines.
_FINGERPRINT_OF: Final = b"fingerprint\nof the key for pseudonyms"


def load_key(site: Site) -> bytes | None:
    """Return the key for pseudonyms: the demo's seed (invented data), the environment, or the key file.

    Raises
    ------
    ConfigurationError
        If the key is too short or not the one that the store was written with, or the key file is missing,
        inside the site folder or readable by others than its owner.
    """
    key = _told_key(site)
    if key is not None:
        _check_fingerprint(site, key)
    return key


def _told_key(site: Site) -> bytes | None:
    people = site.settings.people
    if people.demo_seed is not None:
        if people.key_file is not None:
            raise ConfigurationError(
                "names both a key_file and a demo_seed, and a demo_seed protects nobody",
                where=f"{site.root / 'site.toml'}, people",
                do="Take demo_seed out, unless all data are invented",
            )
        return hashlib.sha256(f"invented data, seed {people.demo_seed}".encode()).digest()
    text = os.environ.get(KEY_VARIABLE, "").strip()
    if text:
        return _long_enough(text.encode("utf-8", "surrogateescape"), f"the variable {KEY_VARIABLE}")
    if people.key_file is not None:
        path = site.root / people.key_file
        where = f"{site.root / 'site.toml'}, people.key_file"
        if path.resolve().is_relative_to(site.root.resolve()):
            raise ConfigurationError(
                f"{path} lies inside the site folder: whoever gets a copy of the folder has the key as well",
                where=where,
                do="Move it out, readable by its owner only, and name the new place",
            )
        try:
            mode = path.stat().st_mode
            key = path.read_bytes().strip()
        except OSError as error:
            raise ConfigurationError(f"{path} cannot be read: {error.strerror}", where=where) from None
        if stat.S_IMODE(mode) & 0o077:
            raise ConfigurationError(
                f"{path} can be read by others than its owner", where=where, do=f"Run: chmod 600 {path}"
            )
        return _long_enough(key, str(path))
    return None


def _long_enough(key: bytes, where: str) -> bytes:
    if len(key) < SHORTEST_KEY_BYTES:
        raise ConfigurationError(
            f"the key has {len(key)} bytes, and fewer than {SHORTEST_KEY_BYTES} can be found by trying",
            where=where,
            do="Take a long random text, such as 'openssl rand -hex 32' prints",
        )
    return key


def fingerprint_file(site: Site) -> Path:
    """Return the file of the store that tells whether a key is the one that it was written with."""
    return site.store / "key_fingerprint"


def fingerprint(key: bytes) -> str:
    """Return a text that only this key gives, and that gives away neither the key nor a value."""
    return hmac.new(key, _FINGERPRINT_OF, hashlib.sha256).hexdigest()


def _check_fingerprint(site: Site, key: bytes) -> None:
    path = fingerprint_file(site)
    try:
        kept = path.read_text(encoding="ascii", errors="replace").strip()
    except FileNotFoundError:
        return
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", where=path) from None
    if not hmac.compare_digest(kept.encode(), fingerprint(key).encode()):
        raise ConfigurationError(
            "the store was written with another key; under this one every patient would become a new one",
            where=path,
            do="Put the earlier key back. A new key needs a new store: move 'store' away and read the logs "
            "again",
        )


def no_key(source: str, fields: Iterable[str]) -> ConfigurationError:
    """Return the refusal to read personal fields without a key."""
    return ConfigurationError(
        f"the personal fields {', '.join(sorted(fields))} are to be keyed, and there is no key",
        where=f"source {source!r}",
        do=f"Set {KEY_VARIABLE}, or name an owner-only file under people.key_file in site.toml",
    )


def need_key(site: Site, source: str, fields: frozenset[str]) -> bytes:
    """Return the key, or refuse: a keyed field without a key is never read."""
    key = load_key(site)
    if key is None:
        raise no_key(source, fields)
    return key


class Pseudonyms:
    """Keyed pseudonyms of trimmed values; an empty value stays null.

    Parameters
    ----------
    key
        The key; None: nothing can be keyed, and what would have to be becomes null and is remembered.

    Attributes
    ----------
    used
        Whether some value was keyed.
    missing
        Whether some value would have had to be keyed, and there was no key.
    """

    def __init__(self, key: bytes | None) -> None:
        self._key = key
        self._known: dict[str, str] = {}
        self.used = False
        self.missing = False

    def of(self, value: str | None) -> str | None:
        """Return the pseudonym of one value, hexadecimal."""
        if value is None or not (value := value.strip()):
            return None
        if self._key is None:
            self.missing = True
            return None
        found = self._known.get(value)
        if found is None:
            self.used = True
            found = hmac.new(self._key, value.encode("utf-8"), hashlib.sha256).hexdigest()
            if len(self._known) < 1_000_000:
                self._known[value] = found
        return found

    def unless_pseudonym(self, value: str | None) -> str | None:
        """Return a value that is a pseudonym (64 hexadecimal digits) as it is, else its pseudonym."""
        told = None if value is None else value.strip()
        return told if told and _PSEUDONYM.fullmatch(told) else self.of(told)

    def column(self, values: pa.Array, function: str = "keyed") -> pa.Array:
        """Return the pseudonyms of an Arrow text column; each distinct value is computed once a batch.

        `function` is ``"keyed"`` (every value) or ``"pseudonym"`` (what is none yet).
        """
        one = self.of if function == "keyed" else self.unless_pseudonym
        if isinstance(values, pa.ChunkedArray):
            values = values.combine_chunks()
        coded = values.dictionary_encode()
        names = pa.array([one(v) for v in coded.dictionary.to_pylist()], pa.string())
        return names.take(coded.indices)

    def lists(self, values: pa.Array, function: str = "keyed") -> pa.Array:
        """Return the pseudonyms of an Arrow column of lists of text."""
        one = self.of if function == "keyed" else self.unless_pseudonym
        return pa.array(
            [None if row is None else [one(v) for v in row] for row in values.to_pylist()],
            pa.list_(pa.string()),
        )

    def register(self, con: duckdb.DuckDBPyConnection) -> None:
        """Make (anew) `keyed(text)`, `pseudonym(text)` and their forms with `_list` in a connection."""
        for name, function, kind in (
            ("keyed", lambda v: self.column(v), "VARCHAR"),
            ("keyed_list", lambda v: self.lists(v), "VARCHAR[]"),
            ("pseudonym", lambda v: self.column(v, "pseudonym"), "VARCHAR"),
            ("pseudonym_list", lambda v: self.lists(v, "pseudonym"), "VARCHAR[]"),
        ):
            with contextlib.suppress(duckdb.Error):
                con.remove_function(name)
            con.create_function(
                name, function, [kind], kind, type=PythonUDFType.ARROW,
                null_handling=FunctionNullHandling.SPECIAL,
            )  # fmt: skip
