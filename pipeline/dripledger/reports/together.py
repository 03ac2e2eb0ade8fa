"""The measures that are shown together or not at all: on cards, in the form for sharing, in charts."""

from __future__ import annotations

from typing import Final

#: Each alone can be improved without anybody being safer.
TOGETHER: Final = (
    "library_use_starts",
    "library_use_hours",
    "protected_share",
    "soft_alert_share",
    "hard_alert_share",
    "override_share",
    "left_library_share",
    "delivery_alarm_rate",
    "delivery_lost",
)
