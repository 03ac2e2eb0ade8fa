"""The command line that shows what a pump did in a case: printed where a case is listed."""

from __future__ import annotations

import shlex


def trace_command(case_id: str) -> str:
    """Return the command that traces a case, as it can be pasted: an id may hold what a log wrote.

    >>> trace_command("3f2a")
    'dripledger trace --case 3f2a'
    >>> trace_command("3f2a:left; rm")
    "dripledger trace --case '3f2a:left; rm'"
    """
    return f"dripledger trace --case {shlex.quote(case_id)}"
