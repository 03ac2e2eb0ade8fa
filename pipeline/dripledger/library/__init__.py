"""Drug libraries: read, checked, compared, and held against what pumps recorded.

It looks back; it advises no dose and sets no limit. What needs a store (`attention`, `replay`, `uptake`)
stands in modules of its own, so that reading a library waits for none of it.
"""

from dripledger.library.load import load_libraries

__all__ = ["load_libraries"]
