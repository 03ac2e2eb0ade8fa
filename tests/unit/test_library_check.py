"""What a check of a library finds, and what two libraries differ in: one small file a case."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
from tests.library_samples import limit_row, write_library
from tests.measure_samples import site as make_site

from dripledger.errors import ConfigurationError, UsageError
from dripledger.library.check import check_files, check_rows
from dripledger.library.check_names import distance
from dripledger.library.compare import compare_rows
from dripledger.library.rows import limit_unit, read_library
from dripledger.library.versions import named_library
from dripledger.site import EntryRow, Site

SITE = make_site(areas=("ICU", "Ward"), lists={"entries": (EntryRow("heparin", True, ()),)})


def _checks(*rows: object, site: Site = SITE) -> list[tuple[str, str]]:
    return [(f.severity, f.check) for f in check_rows(rows, site)]  # type: ignore[arg-type]


GOOD = limit_row(soft_high=20.0, hard_high=50.0)


def test_a_good_row_has_no_finding() -> None:
    assert _checks(GOOD) == []


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        ([GOOD, limit_row(number=3, soft_high=20.0, hard_high=50.0)], ("error", "duplicate")),
        ([limit_row(quantity="dose", soft_high=5.0, hard_high=9.0)], ("error", "unit_missing")),
        ([limit_row(quantity="speed", hard_high=9.0)], ("error", "unknown_quantity")),
        ([limit_row(quantity="dose_rate", dosing_unit="mg", hard_high=9.0)], ("error", "unit_cannot_hold")),
        (
            [limit_row(quantity="dose_rate", dosing_unit="mg/h", concentration_value=100.0,
                       concentration_unit="[IU]/mL", hard_high=9.0)],
            ("error", "unit_cannot_hold"),
        ),
        ([limit_row(soft_high=50.0, hard_high=50.0)], ("warning", "soft_never_seen")),
        ([limit_row(entry="saline")], ("warning", "no_limits")),
        ([limit_row(soft_high=5.0)], ("warning", "bypassable_high_alert")),
        ([limit_row(care_area="Attic", soft_high=5.0, hard_high=9.0)], ("warning", "area_not_declared")),
        ([limit_row(hard_high=9.0), limit_row(number=3, care_area="Ward", hard_high=90.0)],
         ("warning", "tenfold_between_areas")),
        ([limit_row(hard_high=9.0), limit_row(number=3, entry="heparine", hard_high=9.0)],
         ("warning", "look_alike_names")),
        ([limit_row(hard_high=9.0, weight_max_kg=10.0),
          limit_row(number=3, hard_high=9.0, weight_min_kg=8.0)],
         ("error", "weights_overlap")),
        ([limit_row(hard_high=9.0, weight_max_kg=10.0),
          limit_row(number=3, hard_high=9.0, weight_min_kg=12.0)],
         ("warning", "weights_leave_a_gap")),
    ],
)  # fmt: skip
def test_each_fault_is_found(rows: list[object], found: tuple[str, str]) -> None:
    assert found in _checks(*rows)


def test_ninefold_is_no_tenfold_and_units_are_put_together_first() -> None:
    """0.0005 g/h is 0.5 mg/h, and 5 mg/h is ten times that; 4.5 mg/h is nine times."""
    low = limit_row(entry="morphine", quantity="dose_rate", dosing_unit="g/h", hard_high=0.0005)
    for high, tenfold in ((5.0, True), (4.5, False)):
        other = limit_row(number=3, care_area="Ward", entry="morphine", quantity="dose_rate",
                          dosing_unit="mg/h", hard_high=high)  # fmt: skip
        assert (("warning", "tenfold_between_areas") in _checks(low, other)) is tenfold


def test_names_that_are_far_apart_are_none() -> None:
    """Letters to change: dopamine to dobutamine 3 of 10, morphine to midazolam 6 of 9."""
    assert (distance("dopamine", "dobutamine"), distance("ab", "ba"), distance("abc", "abc")) == (3, 1, 0)
    rows = [
        limit_row(entry=name, number=n, hard_high=1.0) for n, name in enumerate(("morphine", "midazolam"))
    ]
    assert ("warning", "look_alike_names") not in _checks(*rows)
    rows = [
        limit_row(entry=name, number=n, hard_high=1.0) for n, name in enumerate(("dopamine", "dobutamine"))
    ]
    assert ("warning", "look_alike_names") in _checks(*rows)


BROKEN = """
| version | care_area | entry   | quantity  | dosing_unit | soft_low | soft_high | hard_high | weight_min_kg |
| 8       | ICU       | heparin | dose_rate | IU/h        | 500      | 1500      | 1000      |               |
| 8       | ICU       |         | flow_rate |             |          |           | 9         |               |
| 8       | ICU       | heparin | flow_rate |             |          |           | nine      |               |
| 8       | ICU       | heparin | volume    | furlong     |          |           | 9         |               |
"""


def test_every_fault_of_a_file_is_listed_with_its_row(tmp_path: Path) -> None:
    path = write_library(tmp_path / "new.csv", BROKEN)
    errors = [(f.row, f.check) for f in check_files([path], SITE) if f.severity == "error"]
    assert errors == [(2, "limits_out_of_order"), (3, "empty"), (4, "no_number"), (5, "unknown_unit")]
    with pytest.raises(ConfigurationError, match=r"hard_high \(1000\) is below soft_high"):
        named_library(SITE, str(path))


def _workbook(*rows: tuple[object, ...]) -> bytes:
    """Write the smallest workbook that holds these rows."""
    main, office = "http://schemas.openxmlformats.org", "officeDocument/2006/relationships"
    sheet, package = f"{main}/spreadsheetml/2006/main", f"{main}/package/2006"

    def cell(value: object) -> str:
        if isinstance(value, str):
            return f'<c t="inlineStr"><is><t>{value}</t></is></c>'
        return f"<c><v>{value}</v></c>"

    def link(kind: str, target: str) -> str:
        return (
            f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
            f'Type="{main}/{office}/{kind}" Target="{target}"/></Relationships>'
        )

    lines = "".join(f"<row>{''.join(cell(value) for value in row)}</row>" for row in rows)
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types">'
        '<Default Extension="xml" ContentType="application/xml"/></Types>',
        "_rels/.rels": link("officeDocument", "xl/workbook.xml"),
        "xl/workbook.xml": f'<workbook xmlns="{sheet}" xmlns:r="{main}/{office}"><sheets>'
        '<sheet name="Library" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": link("worksheet", "worksheets/sheet1.xml"),
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{sheet}"><sheetData>{lines}</sheetData></worksheet>',
    }
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as book:
        for name, text in parts.items():
            book.writestr(name, text)
    return held.getvalue()


def test_a_workbook_is_read_like_a_list(tmp_path: Path) -> None:
    path = tmp_path / "new.xlsx"
    path.write_bytes(
        _workbook(
            ("version", "care_area", "entry", "quantity", "hard_high"),
            (8, "ICU", "heparin", "flow_rate", 50.5),
        )
    )
    (row,) = read_library(path, SITE.zone).rows
    assert (row.version, row.entry, row.hard_high, row.number) == ("8", "heparin", 50.5, 2)


def test_units_of_limits() -> None:
    assert limit_unit("dose_rate", "ug/kg/min", "mg/mL") == "ug/kg/min"
    assert limit_unit("bolus_dose", "mg/h", None) == "mg"
    assert limit_unit("bolus_dose", "ug/kg", None) == "ug/kg"
    assert limit_unit("flow_rate", "mg/h", None) == "mL/h"
    assert limit_unit("duration", "min", None) == "min"
    assert limit_unit("duration", "mg/h", None) == "s"
    assert limit_unit("concentration", "mg/h", "mg/mL") == "mg/mL"
    assert limit_unit("dose_rate", None, None) is None


def test_what_a_new_library_changes() -> None:
    """Soft 20 to 25 loosens, hard 50 to 40 tightens; a soft low comes, insulin goes, potassium comes."""
    old = [GOOD, limit_row(number=3, entry="insulin", hard_high=9.0)]
    new = [
        limit_row(soft_low=1.0, soft_high=25.0, hard_high=40.0),
        limit_row(number=3, entry="potassium", hard_high=9.0),
    ]
    found = [(c.change, c.what, c.entry, c.old, c.new) for c in compare_rows(old, new)]
    assert found == [
        ("added", "soft_low", "heparin", None, 1.0),
        ("loosened", "soft_high", "heparin", 20.0, 25.0),
        ("tightened", "hard_high", "heparin", 50.0, 40.0),
        ("dropped", "entry", "insulin", None, None),
        ("added", "entry", "potassium", None, None),
    ]


def test_a_low_limit_that_rises_is_tightened_and_units_are_compared() -> None:
    """0.5 g/h is 500 mg/h: no change. 600 mg/h as a low limit warns about more."""
    dosed = {"quantity": "dose_rate", "entry": "magnesium"}
    old = [limit_row(dosing_unit="g/h", soft_low=0.5, **dosed)]
    assert compare_rows(old, [limit_row(dosing_unit="mg/h", soft_low=500.0, **dosed)]) == []
    (change,) = compare_rows(old, [limit_row(dosing_unit="mg/h", soft_low=600.0, **dosed)])
    assert (change.change, change.new) == ("tightened", 600.0)
    assert (change.old, change.factor) == (pytest.approx(500.0), pytest.approx(1.2))
    (change,) = compare_rows(old, [limit_row(dosing_unit="mg/kg/h", soft_low=6.0, **dosed)])
    assert change.change == "unit_changed"


def test_a_library_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="neither a file nor a version"):
        named_library(SITE, "9.9")
