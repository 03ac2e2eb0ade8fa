"""Drug libraries: read from ``libraries/*.csv``, checked for order, kept in the store."""

from dripledger.library.load import load_libraries

__all__ = ["load_libraries"]
