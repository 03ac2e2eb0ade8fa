"""The measures that are shown together or not at all, and those of which a year is shown."""

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

#: Measures with a chart, of the facility or of an area.
CHARTED: Final = (*TOGETHER, "pump_alarm_rate", "alarm_minutes", "stale_library_share")
#: What the form for sharing hides together with those of them that follow from it.
TIED: Final = ("outcomes_soft", "outcomes_hard")
#: Shares that compare drugs, not areas, unless each entry is held against itself.
STANDARDISED: Final = ("soft_alert_share", "override_share")
