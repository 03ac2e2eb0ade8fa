"""Labels that may be misspelt are reported for a person to decide; what is surely another thing is not."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.event_samples import HEADER, drop, make_site, read, rows

from dripledger.commands.status import as_table, describe
from dripledger.events.near_misses import bare, near_misses
from dripledger.lists import fold
from dripledger.site import load_site
from dripledger.store import Ledger


@pytest.mark.parametrize(
    ("label", "filed", "why"),
    [
        ("ICU-2", "ICU 2", "signs, spaces, accents or zeros"),
        ("icu2", "ICU 2", "signs, spaces, accents or zeros"),
        ("ICU 02", "ICU-2", "signs, spaces, accents or zeros"),
        ("Säuglinge", "Sauglinge", "signs, spaces, accents or zeros"),
        ("norepinephrin", "Norepinephrine", "a few letters"),
        ("Heparin 25000/250mL", "heparin 25000 / 250 mL", "signs, spaces, accents or zeros"),
    ],
)
def test_near_miss(label: str, filed: str, why: str | None) -> None:
    found = near_misses("entry", {label: 3}, {fold(filed): filed})
    expected = [] if why is None else [(label, 3, fold(filed), filed, why)]
    assert [(m.label, m.events, m.near, m.means, m.why) for m in found] == expected


@pytest.mark.parametrize(
    ("label", "filed"),
    [
        ("ICU 3", "ICU 2"),
        ("morphine 10 mg/mL", "morphine 1 mg/mL"),
        ("insulin 0.5", "insulin 5"),
        ("1.5 mg", "15 mg"),
        ("1.05 mg", "1.5 mg"),
        ("dopamine", "heparin"),
        ("ICU", "ITU"),
        ("icu  2", "ICU 2"),  # case and spaces fold: it is filed
    ],
)
def test_no_near_miss(label: str, filed: str) -> None:
    assert near_misses("entry", {label: 1}, {fold(filed): filed}) == []


def test_nearest_spelling_is_named() -> None:
    known = {fold(t): n for t, n in {"dobutamine": "A", "dobutamine-x": "B", "Dobutamine X 1": "C"}.items()}
    (found,) = near_misses("entry", {"DOBUTAMINE X": 2}, known)
    assert (found.near, found.means) == ("dobutamine-x", "B")


def test_undeclared_labels_are_compared_among_themselves() -> None:
    found = near_misses("care_area", {"ICU 2": 90, "ICU-2": 4, "icu 2": 2, "Ward 3": 9}, None)
    assert [(m.label, m.near, m.means, m.why) for m in found] == [
        ("ICU-2", "ICU 2", None, "signs, spaces, accents or zeros"),
        ("icu 2", "ICU 2", None, "case or spaces"),
    ]


def test_bare_keeps_what_tells_numbers_apart() -> None:
    assert [bare(t) for t in ("1.5 mg", "15 mg", "Dr. X", "I.C.U.", "a_b")] == [
        "1.5mg",
        "15mg",
        "drx",
        "icu",
        "ab",
    ]


def test_status_reports_them_and_a_filed_alias_settles_one(tmp_path: Path) -> None:
    areas = '[care_areas."ICU 2"]\naliases = []\n'
    site = make_site(tmp_path, extra=areas, entries="entry,high_alert,aliases\nHeparin,yes,\n")
    drop(
        site,
        "wards.csv",
        HEADER
        + "P1,2026-10-01 10:00:00,1,START,ICU-2,Heparine,5,\n"
        + "P1,2026-10-01 11:00:00,2,RATE,icu  2,HEPARIN,6,\n",
    )
    read(site)

    def told() -> list[str]:
        now = load_site(tmp_path)
        document = describe(now, Ledger.open(now.store).snapshot())
        table = as_table(document).to_pylist()
        assert len(document["near_misses"]) == sum(r["about"].startswith("near miss") for r in table)
        return [f"{m['what']}: {m['label']} ~ {m['near']} = {m['means']}" for m in document["near_misses"]]

    assert told() == ["care_area: ICU-2 ~ icu 2 = ICU 2", "entry: Heparine ~ heparin = Heparin"]
    make_site(
        tmp_path,
        extra=areas.replace("[]", '["ICU-2"]'),
        entries="entry,high_alert,aliases\nHeparin,yes,Heparine\n",
    )
    assert read(site).rederived == 1
    assert told() == []
    assert rows(
        site, "select care_area, care_area_logged, entry, entry_logged from events order by sequence"
    ) == [
        ("ICU 2", "ICU-2", "Heparin", "Heparine"),
        ("ICU 2", "icu  2", "Heparin", "HEPARIN"),
    ]
