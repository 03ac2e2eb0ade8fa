"""The ledger on disk: versions of the whole store, reads as of a version or a date, one writer."""

from dripledger.store.commits import (
    COMMITS,
    INFUSION_RULES,
    LOOKUP_FILES,
    NOT_BUILT,
    CommitRow,
    program_differs,
)
from dripledger.store.facility import refuse_other_facility
from dripledger.store.layout import spill_folder
from dripledger.store.ledger import Ledger
from dripledger.store.originals import verify_originals
from dripledger.store.query import MOST_BYTES, MOST_ROWS, query, stream_query
from dripledger.store.snapshot import Snapshot
from dripledger.store.status import status
from dripledger.store.upgrade import upgrade
from dripledger.store.verify import Finding, is_sound, verify_store
from dripledger.store.writer import Writer

__all__ = [
    "COMMITS",
    "INFUSION_RULES",
    "LOOKUP_FILES",
    "MOST_BYTES",
    "MOST_ROWS",
    "NOT_BUILT",
    "CommitRow",
    "Finding",
    "Ledger",
    "Snapshot",
    "Writer",
    "is_sound",
    "program_differs",
    "query",
    "refuse_other_facility",
    "spill_folder",
    "status",
    "stream_query",
    "upgrade",
    "verify_originals",
    "verify_store",
]
