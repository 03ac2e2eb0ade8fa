"""Protected share: a hard high limit on dose or rate, looked up in the site's own library files."""

from __future__ import annotations

from typing import Any

from tests.measure_samples import Figures, cell, site, store

LOW = {"minimums": {"starts": 1}}


def protected(infusions: str | list[dict[str, Any]], libraries: str) -> dict[str, Any]:
    con = store(infusions=infusions, libraries=libraries)
    found = Figures(con, site(**LOW), ["2026-10"])
    return cell(found, "protected_share", care_area="icu")


def counts(row: dict[str, Any]) -> tuple[float, float]:
    return float(row["numerator"]), float(row["denominator"])


def test_a_hard_high_limit_on_dose_or_rate_protects_and_nothing_else_does() -> None:
    row = protected(
        """
        | entry       | library_version |
        | morphine    | 7               |
        | propofol    | 7               |
        | soft only   | 7               |
        | volume only | 7               |
        | low only    | 7               |
        """,
        """
        | entry       | limit_quantity | hard_low | soft_high | hard_high |
        | morphine    | dose_rate      |          |           | 10        |
        | propofol    | flow_rate      |          |           | 50        |
        | soft only   | dose_rate      |          | 5         |           |
        | volume only | volume         |          |           | 100       |
        | low only    | dose_rate      | 1        |           |           |
        """,
    )
    assert counts(row) == (2, 5)


def test_outside_the_library_and_an_entry_without_limits_are_not_protected() -> None:
    row = protected(
        """
        | library_use    | entry    | library_version |
        | limited        | morphine | 7               |
        | no_limit_entry | saline   | 7               |
        | bypassed       | -        | 7               |
        | unknown        | -        | 7               |
        """,
        "| entry | hard_high |\n| morphine | 10 |",
    )
    assert counts(row) == (1, 3)


def test_the_limit_is_that_of_the_version_area_entry_and_concentration_in_force() -> None:
    row = protected(
        """
        | library_version | care_area | entry    | concentration_value | concentration_unit |
        | 7               | icu       | morphine | 1                   | mg/mL              |
        | 7               | icu       | morphine | 5                   | mg/mL              |
        | 8               | icu       | morphine | 5                   | mg/mL              |
        """,
        """
        | library_version | care_area | concentration_value | concentration_unit | hard_high |
        | 7               | icu       | 1                   | mg/mL              | 10        |
        | 7               | icu       | 5                   | mg/mL              | -         |
        | 8               | icu       | 5                   | mg/mL              | 10        |
        | 7               | ward      | 5                   | mg/mL              | 10        |
        """,
    )
    assert counts(row) == (2, 3)


def test_a_concentration_is_compared_as_a_number() -> None:
    row = protected(
        """
        | library_version | concentration_value | concentration_unit |
        | 7               | 0.30000000000000004 | mg/mL              |
        """,
        """
        | concentration_value | concentration_unit | hard_high |
        | 0.3                 | mg/mL              | 10        |
        """,
    )
    assert counts(row) == (1, 1)


def test_where_the_concentration_was_not_logged_every_one_of_the_entry_must_be_guarded() -> None:
    libraries = """
        | entry    | concentration_value | hard_high |
        | morphine | 1                   | 10        |
        | morphine | 5                   | -         |
        | insulin  | 1                   | 10        |
        | insulin  | 5                   | 20        |
        """
    row = protected("| entry | library_version |\n| morphine | 7 |\n| insulin | 7 |", libraries)
    assert counts(row) == (1, 2)


def test_with_weight_bands_every_band_must_have_the_limit() -> None:
    libraries = """
        | entry    | limit_quantity | weight_min_kg | weight_max_kg | hard_high |
        | morphine | dose_rate      | 0             | 10            | 1         |
        | morphine | dose_rate      | 10            | 200           | -         |
        | insulin  | dose_rate      | 0             | 10            | -         |
        | insulin  | flow_rate      |               |               | 50        |
        """
    row = protected("| entry | library_version |\n| morphine | 7 |\n| insulin | 7 |", libraries)
    assert counts(row) == (1, 2)


def test_without_library_rows_the_measure_is_not_measurable() -> None:
    row = protected(
        """
        | library_use | entry    | library_version |
        | limited     | morphine | 7               |
        | bypassed    | -        | 7               |
        """,
        "",
    )
    assert (row["status"], row["value"]) == ("not_measurable", None)
    assert "2 starts that no library file covers" in row["reason"]


def test_a_version_without_a_file_is_left_out_as_a_whole_not_only_its_entries() -> None:
    """Leaving out only the starts inside the library would make bypasses weigh more than they do."""
    row = protected(
        """
        | library_use | entry    | library_version |
        | limited     | morphine | 7               |
        | bypassed    | -        | 7               |
        | limited     | morphine | 8               |
        | bypassed    | -        | 8               |
        | bypassed    | -        | -               |
        """,
        "| entry | hard_high |\n| morphine | 10 |",
    )
    assert counts(row) == (1, 2)
    assert "left out: 3 starts that no library file covers (60.0 %)" in row["reason"]
