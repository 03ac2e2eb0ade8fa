"""What a draft says of a field that it did not find holds: without it these measures cannot be told."""

from __future__ import annotations

import csv
import io
from typing import Any, Final

import pytest

from dripledger.drafting.missing import NOT_MEASURABLE
from dripledger.events import ingest
from dripledger.measures.calculate import measure_store
from dripledger.site import load_site
from dripledger.store import Ledger
from tests.event_samples import drop, make_site
from tests.library_samples import write_library

_SEVEN: Final = """
| version | published_at | care_area | entry    | quantity  | soft_high | hard_high |
| 7       | 2026-09-01   | ICU       | morphine | flow_rate | 20        | 60        |
"""
_LIMIT: Final = {
    "limit_kind": "soft", "limit_side": "high", "limit_quantity": "flow_rate", "limit_value": 20,
    "entered_value": 50,
}  # fmt: skip
_STORY: Final[tuple[tuple[str, str, dict[str, Any]], ...]] = (
    ("08:00:00", "infusion_started", {"entry": "morphine", "library_use": "limited", "rate_ml_h": 10}),
    ("08:30:00", "limit_alerted", _LIMIT),
    ("08:30:02", "limit_overridden", _LIMIT),
    ("08:30:03", "rate_changed", {"rate_ml_h": 50}),
    ("11:00:00", "infusion_stopped", {}),
    ("13:00:00", "infusion_started", {"library_use": "bypassed", "rate_ml_h": 5}),
    ("14:00:00", "infusion_stopped", {}),
)
_COLUMNS: Final = (
    "pump_id", "device_time", "kind", "care_area", "library_version", "sequence", "entry", "library_use",
    "rate_ml_h", *_LIMIT,
)  # fmt: skip
_UNITS: Final = {"rate_ml_h": "mL/h", "limit_value": "mL/h", "entered_value": "mL/h"}


def _log(name: str) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, _COLUMNS)
    writer.writeheader()
    for day in (5, 6, 7):
        for place, (at, kind, told) in enumerate(_STORY):
            fixed = {"pump_id": name, "care_area": "ICU", "library_version": "7", "kind": kind}
            number = (day - 5) * len(_STORY) + place
            writer.writerow(fixed | told | {"device_time": f"2026-10-{day:02}T{at}", "sequence": number + 1})
    return text.getvalue()


def _mapping(name: str, without: str) -> str:
    units = {column: f', unit = "{unit}"' for column, unit in _UNITS.items()}
    fields = [f'{c} = {{ field = "{c}"{units.get(c, "")} }}' for c in _COLUMNS if c != without]
    kinds = [f'{kind} = "{kind}"' for kind in dict.fromkeys(kind for _, kind, _ in _STORY)]
    return "\n".join([
        f'pattern = ["{name}.csv"]', 'shape = "delimited"', 'records = ["all"]', "sequence_reliable = true",
        "[time]", 'zone = "site"', "[fields]", *fields, "[kinds]", *kinds,
    ])  # fmt: skip


@pytest.fixture(scope="module")
def statuses(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, str]]:
    """Source -> measure -> status: one source has all fields, each other one lacks the field of its name."""
    root = tmp_path_factory.mktemp("missing") / "site"
    names = ["nothing", *NOT_MEASURABLE]
    site = make_site(root, {name: _mapping(name, name) for name in names})
    write_library(root / "libraries" / "seven.csv", _SEVEN)
    for name in names:
        drop(site, f"{name}.csv", _log(name))
    assert ingest(load_site(root)).total("quarantined") == 0
    told = measure_store(load_site(root), Ledger.open(site.store).snapshot(), None, ["source"])
    found: dict[str, dict[str, str]] = {name: {} for name in names}
    for row in told.to_pylist():
        if row["source"]:
            found[row["source"]][row["measure"]] = row["status"]
    return found


@pytest.mark.parametrize("column", sorted(NOT_MEASURABLE))
def test_what_cannot_be_measured_without_a_field(statuses: dict[str, dict[str, str]], column: str) -> None:
    for measure in NOT_MEASURABLE[column]:
        assert statuses[column][measure] == "not_measurable"
        assert statuses["nothing"][measure] in ("ok", "small", "provisional")
