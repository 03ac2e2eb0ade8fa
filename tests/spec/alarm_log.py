"""Drawn logs of alarms: one infusion on channel A from 10:00 to 12:00, and rows about alarms in it."""

from __future__ import annotations

RUN = """
| at       | kind             | channel | library_use | entry  | care_area | rate_ml_h | alarm_id | alarm_kind | alarm_priority | stops_delivery |
| 10:00:00 | infusion_started | A       | limited     | saline | ward      | 10        |          |            |                |                |
"""
END = """
| 12:00:00 | infusion_stopped | A       |             |        |           |           |          |            |                |                |
"""


def row(
    at: str,
    kind: str,
    alarm_kind: str = "occlusion",
    *,
    id_: str = "",
    priority: str = "",
    stops: str = "no",
    channel: str = "A",
) -> str:
    """Return one row; a blank kind names none."""
    return f"{at} | {kind} | {channel} | | | | | {id_} | {alarm_kind} | {priority} | {stops}"


def log_of(*rows: str) -> str:
    """Return a log with these rows in the middle of the infusion."""
    return "\n".join([RUN, *(f"| {text} |" for text in rows), END])
