"""By which rules infusions are built, as a commit keeps them: tables built by others are built anew."""

from __future__ import annotations

import hashlib
import re
from functools import cache

from dripledger.engine import load_sql_files
from dripledger.schema.codes import TIE_ORDER
from dripledger.schema.units import UNITS

__all__ = ["rules_text"]

_ROOM = "infusions"
_COMMENT_OR_TEXT = re.compile(r"--[^\n]*|'(?:[^']|'')*'|\s+")


@cache
def rules_text() -> str:
    """Return what the tables built from events depend on beside events and settings.

    Returns
    -------
    str
        A line each: SHA-256 and name of a query, of the order of kinds at one instant, and of the units.
        Comments and white space of a query change nothing.
    """
    parts = {f"sql/{_ROOM}/{name}.sql": bare(file.text) for name, file in load_sql_files(_ROOM).items()}
    parts["order of kinds at one instant"] = "\n".join(TIE_ORDER)
    parts["units"] = "\n".join(f"{code} {UNITS[code]}" for code in sorted(UNITS))
    return "".join(
        f"{hashlib.sha256(text.encode()).hexdigest()}  {name}\n" for name, text in sorted(parts.items())
    )


def bare(select: str) -> str:
    """Return a query without its comments, each white space outside of texts as one blank."""

    def told(match: re.Match[str]) -> str:
        return match[0] if match[0].startswith("'") else " "

    once = _COMMENT_OR_TEXT.sub(told, select)
    # what stood between two comments is blanks in a row
    return _COMMENT_OR_TEXT.sub(told, once).strip()
