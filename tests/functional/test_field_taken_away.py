"""One field at a time is taken from a log whose figures are known: none of them may become another figure.

72 programmings of 24 days: a start, a change that meets a soft limit and is overridden, a change that meets
none; an occlusion that stops the delivery for five minutes each day. What a field is needed for must then
read `not_measurable`, with the reason, and all else must stay as it was.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any, Final

import pytest

from dripledger.events import ingest
from dripledger.measures.calculate import measure_store
from dripledger.site import load_site
from dripledger.store import Ledger
from tests.event_samples import drop, make_site
from tests.marks import LONG

_LIMIT: Final = {
    "limit_kind": "soft", "limit_side": "high", "limit_quantity": "flow_rate", "limit_value": 20,
    "entered_value": 50,
}  # fmt: skip
_INSIDE: Final = {"entry": "morphine", "library_use": "limited"}
_ALARM: Final = {"alarm_label": "OCC", "alarm_kind": "occlusion"}
_DAY: Final[tuple[tuple[str, str, dict[str, Any]], ...]] = (
    ("06:00:00", "infusion_started", {**_INSIDE, "rate_ml_h": 10}),
    ("08:30:00", "limit_alerted", _LIMIT),
    ("08:30:05", "limit_overridden", _LIMIT),
    ("08:30:06", "rate_changed", {"rate_ml_h": 50}),
    ("12:00:00", "rate_changed", {"rate_ml_h": 15}),
    ("13:00:00", "alarm_raised", {**_ALARM, "stops_delivery": "true"}),
    ("13:05:00", "alarm_cleared", _ALARM),
    ("13:05:00", "infusion_resumed", {}),
    ("23:00:00", "infusion_stopped", {}),
)
_COLUMNS: Final = (
    "pump_id", "device_time", "kind", "care_area", "sequence", "entry", "library_use", "rate_ml_h", *_LIMIT,
    "alarm_label", "alarm_kind", "stops_delivery",
)  # fmt: skip
_UNITS: Final = {"rate_ml_h": "mL/h", "limit_value": "mL/h", "entered_value": "mL/h"}
_MINIMUMS: Final = "[minimums]\nstarts = 20\ninfusions = 10\nchannel_hours = 300\n"
#: Columns taken away together -> measures that cannot be told without them.
_TAKEN: Final[dict[tuple[str, ...], tuple[str, ...]]] = {
    (): (),
    # what was overridden was soft; of a hard limit nobody knows
    ("limit_kind",): ("hard_alert_share", "hard_alerts_per_100_infusions", "outcomes_hard_overridden"),
    ("library_use",): (
        "soft_alert_share", "hard_alert_share", "soft_alerts_per_100_infusions",
        "hard_alerts_per_100_infusions", "infusion_override_share", "override_repeat_share",
    ),
    ("alarm_label", "alarm_kind"): ("delivery_alarm_rate",),
    ("alarm_kind",): ("delivery_alarm_rate",),
    ("stops_delivery",): ("delivery_lost",),
    ("rate_ml_h",): (
        "user_rate_changes", "soft_alert_share", "hard_alert_share", "soft_alerts_per_100_infusions",
        "hard_alerts_per_100_infusions",
    ),
}  # fmt: skip
#: Every figure of the log as it is.
_WHOLE: Final = {
    "soft_alert_share": (24, 72),
    "hard_alert_share": (0, 72),
    "soft_alerts_per_100_infusions": (24, 24),
    "hard_alerts_per_100_infusions": (0, 24),
    "outcomes_soft_overridden": (24, 24),
    "override_share": (24, 24),
    "infusion_override_share": (24, 24),
    "override_repeat_share": (0, 24),
    "delivery_alarm_rate": (24, None),
    "delivery_lost": (120, None),
    "user_rate_changes": (48, None),
}


def _log() -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, _COLUMNS)
    writer.writeheader()
    for day in range(1, 25):
        for place, (at, kind, told) in enumerate(_DAY):
            fixed = {"pump_id": "P1", "care_area": "ICU", "kind": kind}
            number = (day - 1) * len(_DAY) + place + 1
            writer.writerow(fixed | told | {"device_time": f"2026-10-{day:02}T{at}", "sequence": number})
    return text.getvalue()


def _mapping(without: tuple[str, ...]) -> str:
    units = {column: f', unit = "{unit}"' for column, unit in _UNITS.items()}
    fields = [f'{c} = {{ field = "{c}"{units.get(c, "")} }}' for c in _COLUMNS if c not in without]
    kinds = [f'{kind} = "{kind}"' for kind in dict.fromkeys(kind for _, kind, _ in _DAY)]
    return "\n".join([
        'pattern = ["wards.csv"]', 'shape = "delimited"', 'records = ["all"]', "sequence_reliable = true",
        "[time]", 'zone = "site"', "[fields]", *fields, "[kinds]", *kinds,
    ])  # fmt: skip


def _measured(root: Path, without: tuple[str, ...]) -> dict[str, dict[str, Any]]:
    site = make_site(root, {"wards": _mapping(without)}, _MINIMUMS)
    drop(site, "wards.csv", _log())
    assert ingest(load_site(root)).total("quarantined") == 0
    told = measure_store(load_site(root), Ledger.open(site.store).snapshot(), None, [])
    return {row["measure"]: row for row in told.to_pylist()}


#: In a plain run; the others before a merge.
_ALWAYS: Final = ((), ("limit_kind",))


@pytest.mark.parametrize(
    "without",
    [pytest.param(taken, marks=() if taken in _ALWAYS else LONG, id=" and ".join(taken)) for taken in _TAKEN],
)
def test_without_a_field_a_figure_stays_or_says_that_it_cannot_be_told(
    tmp_path: Path, without: tuple[str, ...]
) -> None:
    found = _measured(tmp_path, without)
    for name in _TAKEN[without]:
        row = found[name]
        assert (row["status"], row["value"], row["numerator"]) == ("not_measurable", None, None), name
        assert row["reason"].startswith("left out: "), name
    for name, (numerator, denominator) in _WHOLE.items():
        row = found[name]
        if name not in _TAKEN[without]:
            assert row["numerator"] == numerator, name
            assert row["value"] is not None, name
            assert denominator is None or row["denominator"] == denominator, name
