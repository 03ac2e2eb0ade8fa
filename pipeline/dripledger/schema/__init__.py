"""Each column and table of the ledger, declared once; readers, stores and documents derive from here."""

from dripledger.schema.codes import EVENT_KINDS
from dripledger.schema.columns import Column, ColumnType
from dripledger.schema.tables import TABLES, Table

__all__ = ["EVENT_KINDS", "TABLES", "Column", "ColumnType", "Table"]
