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
from dripledger.library.compare import compare_rows, count_apart
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


@pytest.mark.parametrize("spelt", ["Heparin", "HEPARIN ", "hepa"])
def test_a_high_alert_entry_is_one_in_any_spelling_that_is_filed(spelt: str) -> None:
    """What pumps log as `hepa` stands under heparin, and a row named otherwise meets none of it."""
    own = make_site(areas=("ICU",), lists={"entries": (EntryRow("heparin", True, ("HEPA",)),)})
    assert _checks(limit_row(entry=spelt, soft_high=5.0), site=own) == [
        ("warning", "bypassable_high_alert"),
        ("warning", "entry_spelt_otherwise"),
    ]


def test_a_care_area_in_another_spelling_is_declared_and_told() -> None:
    (found,) = check_rows([limit_row(care_area="icu", soft_high=20.0, hard_high=50.0)], SITE)
    assert (found.severity, found.check) == ("warning", "area_spelt_otherwise")
    assert "'ICU'" in found.finding


def test_ninefold_is_no_tenfold_and_units_are_put_together_first() -> None:
    """0.0005 g/h is 0.5 mg/h, and 5 mg/h is ten times that; 4.5 mg/h is nine times."""
    low = limit_row(entry="morphine", quantity="dose_rate", dosing_unit="g/h", hard_high=0.0005)
    for high, tenfold in ((5.0, True), (4.5, False)):
        other = limit_row(number=3, care_area="Ward", entry="morphine", quantity="dose_rate",
                          dosing_unit="mg/h", hard_high=high)  # fmt: skip
        assert (("warning", "tenfold_between_areas") in _checks(low, other)) is tenfold


def _found(*rows: object, check: str) -> list[tuple[str, int | None, str]]:
    found = check_rows(rows, SITE)  # type: ignore[arg-type]
    return [(f.severity, f.row, f.finding) for f in found if f.check == check]


def test_a_tenfold_gap_is_found_among_units_of_each_kind() -> None:
    """Per kg says nothing beside per hour; 6 ug/min is 0.36 mg/h, and 5 mg/h is 13.9 times that."""
    dosed = {"entry": "morphine", "quantity": "dose_rate"}
    rows = [
        limit_row(number=2, dosing_unit="ug/kg/min", hard_high=1.0, **dosed),
        limit_row(number=3, care_area="Ward", dosing_unit="mg/h", hard_high=5.0, **dosed),
        limit_row(number=4, care_area="Attic", dosing_unit="ug/min", hard_high=6.0, **dosed),
    ]
    ((severity, row, text),) = _found(*rows, check="tenfold_between_areas")
    assert (severity, row) == ("warning", 3)
    assert "hard_high on dose_rate is 5 mg/h, and in 'Attic' 6 ug/min (new.csv, row 4): 13.8889 times" in text


def test_a_dose_is_compared_across_concentrations_and_a_rate_is_not() -> None:
    """25 and 2.5 [IU]/kg/h are tenfold at any strength; 10 and 100 mL/h of two strengths are one dose."""
    strong = {"concentration_unit": "[IU]/mL", "number": 3, "care_area": "Ward", "concentration_value": 50.0}
    weak = {"concentration_unit": "[IU]/mL", "concentration_value": 500.0}
    dosed = {"quantity": "dose_rate", "dosing_unit": "[IU]/kg/h"}
    pair = [limit_row(**strong, **dosed, hard_high=25.0), limit_row(**weak, **dosed, hard_high=2.5)]
    assert len(_found(*pair, check="tenfold_between_areas")) == 1
    pair = [limit_row(**strong, hard_high=100.0), limit_row(**weak, hard_high=10.0)]
    assert _found(*pair, check="tenfold_between_areas") == []


def test_the_area_that_stands_alone_is_the_one_that_is_told() -> None:
    """50, 50 and 5: the third stands alone, though it is the smallest."""
    rows = [limit_row(number=n, care_area=area, hard_high=high)
            for n, area, high in ((2, "ICU", 50.0), (3, "Ward", 50.0), (4, "Attic", 5.0))]  # fmt: skip
    ((_, row, text),) = _found(*rows, check="tenfold_between_areas")
    assert row == 4
    assert "hard_high on flow_rate is 5 mL/h, and in 'Ward' 50 mL/h" in text
    assert "10 times (a slip of the decimal point?)" in text


def _band(number: int, least: float | None, most: float | None) -> object:
    return limit_row(number=number, hard_high=9.0, weight_min_kg=least, weight_max_kg=most)


def test_bands_of_weights_that_touch_overlap_or_leave_weights_without_a_limit() -> None:
    """3-10, 10-20, 18-50: 10 kg is in two bands, 18-20 overlap, under 3 and over 50 kg there is no row."""
    rows = [_band(2, 3.0, 10.0), _band(3, 10.0, 20.0), _band(4, 18.0, 50.0)]
    assert _found(*rows, check="weights_touch") == [
        ("note", 3, "10 kg is in the band of new.csv, row 2 too: this one, the upper, has it")
    ]
    assert [(s, r) for s, r, _ in _found(*rows, check="weights_overlap")] == [("error", 4)]
    assert [(s, r, t) for s, r, t in _found(*rows, check="weights_without_a_row")] == [
        ("warning", 2, "no row is for weights under 3 kg"),
        ("warning", 4, "no row is for weights over 50 kg"),
    ]
    assert _found(*rows, check="weights_leave_a_gap") == []


def test_a_single_band_leaves_the_other_weights_without_a_limit() -> None:
    assert [r for _, r, _ in _found(_band(2, None, 10.0), check="weights_without_a_row")] == [2]
    assert _found(_band(2, None, None), check="weights_without_a_row") == []


def test_a_band_inside_another_leaves_no_gap_behind_it() -> None:
    """0-100 holds 10-20 and 30-40: two overlaps, and between 20 and 30 the wide one holds."""
    rows = [_band(2, None, 100.0), _band(3, 10.0, 20.0), _band(4, 30.0, 40.0)]
    assert [r for _, r, _ in _found(*rows, check="weights_overlap")] == [3, 4]
    assert _found(*rows, check="weights_leave_a_gap") == []
    assert [t for _, _, t in _found(*rows, check="weights_without_a_row")] == [
        "no row is for weights over 100 kg"
    ]


def test_a_row_for_every_concentration_beside_rows_for_one_overlaps_them() -> None:
    one = {"concentration_value": 25.0, "concentration_unit": "[IU]/mL"}
    rows = [limit_row(hard_high=9.0), limit_row(number=3, hard_high=9.0, **one)]
    assert [(s, r) for s, r, _ in _found(*rows, check="concentrations_overlap")] == [("error", 3)]
    # of two strengths neither holds for the other; another band of weights is no overlap either
    other = one | {"concentration_value": 50.0}
    assert _found(rows[1], limit_row(hard_high=9.0, **other), check="concentrations_overlap") == []
    light = limit_row(hard_high=9.0, weight_max_kg=5.0)
    heavy = limit_row(number=3, hard_high=9.0, weight_min_kg=5.0, **one)
    assert _found(light, heavy, check="concentrations_overlap") == []


def test_a_concentration_that_lacks_what_its_sibling_is_limited_on() -> None:
    """50 [IU]/mL is limited on its rate alone, 25 on rate and volume."""
    one = {"concentration_value": 25.0, "concentration_unit": "[IU]/mL"}
    two = one | {"concentration_value": 50.0}
    rows = [
        limit_row(hard_high=9.0, **one),
        limit_row(number=3, quantity="volume", hard_high=50.0, **one),
        limit_row(number=4, hard_high=9.0, **two),
    ]
    assert _found(*rows, check="concentration_without_a_row") == [
        ("warning", 4, "50 [IU]/mL has no limit on volume, and 25 [IU]/mL has (new.csv, row 3)")
    ]
    mixed = [limit_row(hard_high=9.0, **one), limit_row(number=3, hard_high=9.0, concentration_value=1.0,
                                                        concentration_unit="mg/mL")]  # fmt: skip
    assert [(s, r) for s, r, _ in _found(*mixed, check="concentrations_of_two_kinds")] == [("warning", 3)]


@pytest.mark.parametrize(
    ("row", "found"),
    [
        ({"hard_high": -5.0}, ("error", "negative_limit")),
        ({"soft_low": -1.0, "hard_high": 9.0}, ("error", "negative_limit")),
        ({"hard_high": 0.0}, ("error", "zero_limit")),
        ({"soft_low": 0.0, "hard_high": 9.0}, ("warning", "zero_limit")),
        ({"hard_high": 9.0, "weight_min_kg": -1.0}, ("error", "negative_weight")),
        ({"hard_high": 9.0, "weight_max_kg": 0.0}, ("error", "negative_weight")),
    ],
)
def test_limits_of_zero_or_less(row: dict[str, float], found: tuple[str, str]) -> None:
    assert found in _checks(limit_row(**row))


def test_a_limit_on_how_far_a_rate_may_fall_may_be_negative() -> None:
    row = limit_row(quantity="rate_change", soft_low=-5.0, hard_high=5.0)
    assert ("error", "negative_limit") not in _checks(row)


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
    """0.5 g/h is 500 mg/h: the limit is the same. 600 mg/h as a low limit warns about more."""
    dosed = {"quantity": "dose_rate", "entry": "magnesium"}
    old = [limit_row(dosing_unit="g/h", soft_low=0.5, **dosed)]
    _, change = compare_rows(old, [limit_row(dosing_unit="mg/h", soft_low=600.0, **dosed)])
    assert (change.change, change.new) == ("tightened", 600.0)
    assert (change.old, change.factor) == (pytest.approx(500.0), pytest.approx(1.2))
    _, change = compare_rows(old, [limit_row(dosing_unit="mg/kg/h", soft_low=6.0, **dosed)])
    assert (change.change, change.what) == ("unit_changed", "soft_low")
    assert compare_rows(old, [limit_row(dosing_unit="g/h", soft_low=0.5, number=9, **dosed)]) == []


def test_a_dosing_unit_that_is_another_is_told_though_the_limit_comes_to_the_same() -> None:
    """0.5 g/h is 500 mg/h, but who is used to enter 0.5 enters something else now."""
    dosed = {"quantity": "dose_rate", "entry": "magnesium"}
    old = [limit_row(dosing_unit="g/h", soft_low=0.5, **dosed)]
    (change,) = compare_rows(old, [limit_row(dosing_unit="mg/h", soft_low=500.0, **dosed)])
    assert (change.change, change.what, change.unit) == ("unit_changed", "dosing_unit", "g/h -> mg/h")
    assert (change.old, change.new, change.factor) == (None, None, None)


def test_a_library_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="neither a file nor a version"):
        named_library(SITE, "9.9")


def test_a_row_that_stands_twice_with_other_limits_is_not_compared() -> None:
    """Whichever of the two counted, the other would be looser or tighter in silence."""
    old = [limit_row(soft_high=50.0, hard_high=100.0)]
    twice = [
        limit_row(soft_high=50.0, hard_high=1000.0),
        limit_row(number=3, soft_high=50.0, hard_high=100.0),
    ]
    with pytest.raises(ConfigurationError, match="rows 2 and 3 set other limits for the same"):
        compare_rows(old, twice)
    assert compare_rows(old, [*old, *old]) == []


def test_rows_that_are_cut_another_way_are_counted() -> None:
    """Of one row for every weight two bands were made, both looser: neither is set against the old one."""
    old = [limit_row(soft_high=50.0)]
    bands = [
        limit_row(weight_max_kg=60.0, soft_high=500.0),
        limit_row(number=3, weight_min_kg=60.0, soft_high=500.0),
    ]
    assert count_apart(compare_rows(old, bands)) == 3
    assert count_apart(compare_rows(old, [limit_row(soft_high=500.0)])) == 0
