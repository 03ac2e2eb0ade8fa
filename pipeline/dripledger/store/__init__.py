"""The ledger on disk: versions of the whole store, reads as of a version or a date, one writer."""

from dripledger.store.commits import COMMITS, CommitRow
from dripledger.store.layout import spill_folder
from dripledger.store.ledger import Ledger
from dripledger.store.query import query
from dripledger.store.snapshot import Snapshot
from dripledger.store.status import status
from dripledger.store.upgrade import upgrade
from dripledger.store.verify import Finding, is_sound, verify_store
from dripledger.store.writer import Writer

__all__ = [
    "COMMITS",
    "CommitRow",
    "Finding",
    "Ledger",
    "Snapshot",
    "Writer",
    "is_sound",
    "query",
    "spill_folder",
    "status",
    "upgrade",
    "verify_store",
]
