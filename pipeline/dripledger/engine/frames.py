"""Keep Arrow from importing pandas, which takes longer than a small ingest needs for everything else."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib.abc import MetaPathFinder
from types import ModuleType

__all__ = ["leave_pandas_out"]


class _NoPandas(MetaPathFinder):
    """Finds no pandas, wherever it is installed."""

    def find_spec(
        self,
        name: str,
        path: Sequence[str] | None,  # noqa: ARG002
        target: ModuleType | None = None,  # noqa: ARG002
    ) -> None:
        """Refuse pandas; leave all else to the finders that follow."""
        if name == "pandas":
            raise ModuleNotFoundError("pandas is not looked for", name=name)


def leave_pandas_out() -> None:
    """Let Arrow believe that there is no pandas, until somebody asks for a frame.

    To see whether a value given to it is a frame of pandas, Arrow imports pandas where it is installed, once
    a process. For a program that has no frames that is time lost. A conversion to pandas still works later,
    and lets Arrow see frames again; a Series given to Arrow before that would be read as a plain list, with
    numbers for what is missing. So this is for a process that is the program's own, and for no other.
    """
    if "pandas" in sys.modules:
        return
    import pyarrow as pa

    hidden = _NoPandas()
    sys.meta_path.insert(0, hidden)
    try:
        # it looks once, and remembers
        pa.array([0])
    finally:
        sys.meta_path.remove(hidden)
