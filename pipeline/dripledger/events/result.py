"""What an ingest did, in the shape that the command line prints."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from dripledger.errors import EXIT_QUARANTINE_SHARE, DripledgerError

COUNTS: Final = ("rows_read", "events_kept", "duplicates", "quarantined", "rows_ignored", "events")


@dataclass(frozen=True)
class FileBalance:
    """The ledger balance of one file."""

    path: str
    sha256: str
    source: str
    already_read: bool
    rows_read: int = 0
    events_kept: int = 0
    duplicates: int = 0
    quarantined: int = 0
    rows_ignored: int = 0
    events: int = 0
    forgotten: bool = False

    @classmethod
    def of(
        cls, path: str, sha256: str, source: str, counts: Mapping[str, int], already_read: bool = False
    ) -> FileBalance:
        """Return a file's balance from counts by name; those that are missing are 0."""
        read, kept, again, waiting, ignored, events = (counts.get(name, 0) for name in COUNTS)
        return cls(path, sha256, source, already_read, read, kept, again, waiting, ignored, events)

    @property
    def balanced(self) -> bool:
        """Whether every record that was read has exactly one fate."""
        return self.rows_read == self.events_kept + self.duplicates + self.quarantined + self.rows_ignored

    def as_json(self) -> dict[str, object]:
        """Return it as JSON."""
        return {
            "path": self.path,
            "sha256": self.sha256,
            "source": self.source,
            "already_read": self.already_read,
            **{name: getattr(self, name) for name in COUNTS},
            **({"forgotten": True} if self.forgotten else {}),
        }


@dataclass(frozen=True)
class IngestResult:
    """What an ingest (or a balance over the store) found.

    Parameters
    ----------
    ingest_id
        The ingest; None where nothing was new, so nothing was committed, and for a balance over the store.
    store_version
        The store version that now stands.
    files
        One balance a file.
    rederived
        Events that changed because a label, alias, clock, service, zone or mapping was mended.
    settled
        Events in a repeated hour whose instant became clear by what came later.
    failures
        Inputs that could not be read at all; the others are committed.
    unclaimed
        Files in the inbox that no mapping claims.
    irregular
        Things in the inbox that are no regular file, each with what it is.
    left
        Files whose size changed while they were read: left for the next time.
    notes
        What a person should know of single files: an encoding that was detected, a file that was cut.
    ignored
        Reason of a rule -> records that it says carry no event.
    quarantine_share_max
        The site's threshold.
    sound
        Whether the tables agree with the ledger.
    """

    ingest_id: str | None
    store_version: int
    files: tuple[FileBalance, ...] = ()
    rederived: int = 0
    settled: int = 0
    failures: tuple[DripledgerError, ...] = ()
    unclaimed: tuple[str, ...] = ()
    irregular: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    ignored: Mapping[str, int] = field(default_factory=dict)
    quarantine_share_max: float = 1.0
    sound: bool = True

    def total(self, name: str) -> int:
        """Return the sum of one count over the files."""
        return sum(getattr(file, name) for file in self.files)

    @property
    def balanced(self) -> bool:
        """Whether every record of every file has exactly one fate, and the tables agree."""
        return self.sound and all(file.balanced for file in self.files)

    @property
    def quarantined_share(self) -> float:
        """Quarantined / read of this run; 0 where nothing was read."""
        read = self.total("rows_read")
        return self.total("quarantined") / read if read else 0.0

    @property
    def exit_code(self) -> int:
        """3 where an input cannot be read at all, 4 where too much waits, else 0."""
        if self.failures:
            return max(error.exit_code for error in self.failures)
        return EXIT_QUARANTINE_SHARE if self.quarantined_share > self.quarantine_share_max else 0

    def as_json(self) -> dict[str, object]:
        """Return it as JSON."""
        return {
            "ingest_id": self.ingest_id,
            "store_version": self.store_version,
            "balanced": self.balanced,
            **{name: self.total(name) for name in COUNTS},
            "rederived": self.rederived,
            "files": [file.as_json() for file in self.files],
        }
