"""By which rules infusions are built, as a commit keeps them: tables built by others are built anew."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from functools import cache

from dripledger.engine import load_sql_files
from dripledger.infusions.build import RESULTS
from dripledger.schema import TABLES
from dripledger.schema.codes import TIE_ORDER
from dripledger.schema.units import UNITS
from dripledger.site import SiteSettings

__all__ = ["rules_text"]

_ROOM = "infusions"
#: A text, which stays as it is; or comments and white space, as far as they go.
_TEXT_OR_BETWEEN = re.compile(r"('(?:[^']|'')*')|(?:--[^\n]*|\s+)+")


def rules_text(settings: SiteSettings, beside: Mapping[str, str]) -> str:
    """Return what the tables built from events depend on beside the events.

    Parameters
    ----------
    settings
        The site's settings: what stands in `site.toml`, and this version's defaults for what does not.
    beside
        Name -> text of what decides which events count.

    Returns
    -------
    str
        A line each: SHA-256 and name of a query, of the order of kinds at one instant, the units, the columns
        made, the settings. Comments and white space of a query change nothing, but for what it `needs`.
    """
    parts = {
        f"sql/{_ROOM}/{name}.sql": f"{file.header.get('needs', '')}\n{bare(file.text)}"
        for name, file in load_sql_files(_ROOM).items()
    }
    parts["order of kinds at one instant"] = "\n".join(TIE_ORDER)
    parts["units"] = "\n".join(f"{code} {UNITS[code]}" for code in sorted(UNITS))
    parts["columns"] = "\n".join(
        f"{name}.{column.name} {column.type.duckdb}" for name in RESULTS for column in TABLES[name].columns
    )
    contexts = {area: declared.context for area, declared in sorted(settings.care_areas.items())}
    parts["settings"] = f"{settings.thresholds.of_infusions!r}\n{contexts!r}"
    parts.update(beside)
    return "".join(
        f"{hashlib.sha256(text.encode()).hexdigest()}  {name}\n" for name, text in sorted(parts.items())
    )


@cache
def bare(select: str) -> str:
    """Return a query without its comments, each white space outside of texts as one blank."""
    return _TEXT_OR_BETWEEN.sub(lambda match: match[1] or " ", select).strip()
