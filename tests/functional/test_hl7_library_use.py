"""What a device message says about library use: inferred from a start, never from what it leaves out."""

from __future__ import annotations

from pathlib import Path

from tests.functional.hl7.messages import event, text
from tests.functional.test_hl7_messages import Ingested


def test_what_a_start_names_decides(tmp_path: Path) -> None:
    """A care area is the library's, a plain rate is outside; a drug or a dose alone may be either."""
    plain = {"drug": None, "concentration": None, "dose": None, "weight": None}
    starts = {
        "00": event("start", "20260210080000-0600", "P-0"),
        "01": event("start", "20260210080000-0600", "P-1", drug=None),
        "02": event("start", "20260210080000-0600", "P-2", care_area=None, **plain),
        "03": event("start", "20260210080000-0600", "P-3", care_area=None, library=None, **plain),
        "04": event("start", "20260210080000-0600", "P-4", care_area=None),
        "05": event("start", "20260210080000-0600", "P-5", care_area=None, **plain | {"drug": "Dopamine"}),
        "06": event("start", "20260210080000-0600", "P-6", care_area=None, **plain | {"dose": "5.00"}),
        "07": event("start", "20260210080000-0600", "P-7", care_area=None, library=None),
        "08": event("start", "20260210080000-0600", "P-8", care_area='""'),
    }
    site = Ingested(tmp_path / "a site").drop("starts.hl7", text(*starts.values())).ingest()
    assert site.rows("select pump_id[3:], library_use, library_use_basis from events order by pump_id") == [
        ("0", "limited", "inferred"),
        ("1", "limited", "inferred"),
        ("2", "bypassed", "inferred"),
        ("3", "bypassed", "inferred"),
        ("4", "unknown", "inferred"),
        ("5", "unknown", "inferred"),
        ("6", "unknown", "inferred"),
        ("7", "unknown", "inferred"),
        ("8", "unknown", "inferred"),
    ]
    assert site.rows("select library_use, count(*) from infusions group by all order by all") == [
        ("bypassed", 2), ("limited", 2), (None, 5),
    ]  # fmt: skip


def test_a_change_of_rate_without_a_care_area_leaves_the_library_use_as_it_was(tmp_path: Path) -> None:
    """The stop and start of a change name the drug and no care area: one infusion, in the library."""
    messages = [
        event("start", "20260210080000-0600"),
        event("stop", "20260210090000-0600", status="transitioning"),
        event("start", "20260210090000-0600", rate="20.0", dose="8.30", care_area=None),
        event("stop", "20260210100000-0600", rate="20.0", status="not-delivering", reason="by-clinician"),
    ]
    site = Ingested(tmp_path / "a site").drop("change.hl7", text(*messages)).ingest()
    assert site.rows("select library_use, running_hours, user_rate_changes from infusions") == [
        ("limited", 2.0, 1)
    ]


def test_a_start_that_may_be_either_is_not_what_ran_before(tmp_path: Path) -> None:
    """A drug and no care area: hours after a start inside and minutes after one outside it is unknown."""
    plain = {"drug": None, "concentration": None, "dose": None, "weight": None, "care_area": None}
    stop = {"status": "not-delivering", "reason": "by-clinician"}
    messages = [
        event("start", "20260210080000-0600", "P-0"),
        event("stop", "20260210090000-0600", "P-0", **stop),
        event("start", "20260210120000-0600", "P-0", care_area=None),
        event("stop", "20260210130000-0600", "P-0", **stop),
        event("start", "20260210080000-0600", "P-1", **plain),
        event("stop", "20260210090000-0600", "P-1", **stop),
        event("start", "20260210090500-0600", "P-1", care_area=None),
        event("stop", "20260210100500-0600", "P-1", **stop),
    ]
    site = Ingested(tmp_path / "a site").drop("either.hl7", text(*messages)).ingest()
    assert site.rows(
        "select pump_id[3:], library_use, running_hours from infusions order by pump_id, started_at"
    ) == [("0", "limited", 1.0), ("0", None, 1.0), ("1", "bypassed", 1.0), ("1", None, 1.0)]
