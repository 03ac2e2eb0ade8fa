"""From records to the ledger: translate, check, tell apart, account for, append."""

from dripledger.events.ingest import ingest
from dripledger.events.ledger import balance
from dripledger.events.quarantine import list_quarantine, retry
from dripledger.events.redo import forget, redo
from dripledger.events.result import FileBalance, IngestResult
from dripledger.events.run import derived_are_built

__all__ = [
    "FileBalance",
    "IngestResult",
    "balance",
    "derived_are_built",
    "forget",
    "ingest",
    "list_quarantine",
    "redo",
    "retry",
]
