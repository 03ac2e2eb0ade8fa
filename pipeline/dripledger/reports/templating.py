"""How templates are read: escaped by default, nothing undefined."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def environment(package: str = "dripledger.reports") -> Environment:
    """Return the environment of a package's templates."""
    # Inside the function: the extra [report] brings it, and `measures` must work without.
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
