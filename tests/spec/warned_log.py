"""One log that many drawn cases begin with: heparin at 10 mL/h, and at 10:30 an alert on 100 against a limit of 20."""

from __future__ import annotations

HEAD = """
| at       | kind             | library_use | entry   | rate_ml_h | limit                       | tried | initiator | patient_key |
"""
RUNNING = (
    HEAD
    + """
| 10:00:00 | infusion_started | limited     | heparin | 10        |                             |       |           |             |
"""
)
ALERT = """
| 10:30:00 | limit_alerted    |             | heparin |           | soft high flow_rate 20 mL/h | 100   |           |             |
"""
STOP = """
| 13:00:00 | infusion_stopped |             |         |           |                             |       |           |             |
"""


def warned(*rows: str, running: bool = True) -> str:
    """Return the log with rows after the alert; not running: the alert comes on an idle channel."""
    lines = [f"| {told} |" for told in rows]
    return "\n".join([RUNNING if running else HEAD, ALERT, *lines, STOP if running else ""])


def row(at: str, kind: str, rate: str = "", *, use: str = "", entry: str = "", more: str = "|  |  |") -> str:
    """Write one row under the heading; `more` is limit, tried, initiator, patient_key."""
    return f"{at} | {kind} | {use} | {entry} | {rate} | {more}"
