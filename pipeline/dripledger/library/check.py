"""`library check`: what a person should look at in a drug library before a pump gets it.

It says where rows contradict themselves or each other. It does not say what a limit should be.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from dripledger.library.check_bands import band_findings
from dripledger.library.check_names import look_alikes
from dripledger.library.check_units import unit_findings
from dripledger.library.check_values import value_findings
from dripledger.library.findings import Finding, at, in_order
from dripledger.library.rows import LimitRow, Problem, known_quantity, read_library
from dripledger.lists import fold
from dripledger.site import Site, spellings

_GUARDED = ("dose_rate", "flow_rate")


def check_files(paths: Sequence[Path], site: Site) -> list[Finding]:
    """Check library files, each version by itself.

    Parameters
    ----------
    paths
        The files.
    site
        For declared care areas and high-alert flags.

    Returns
    -------
    list of Finding
        The gravest first; an ``error`` means that the library must not be loaded as it is.

    Raises
    ------
    ConfigurationError
        If a file cannot be read at all or has not the columns of a library.
    """
    rows: list[LimitRow] = []
    findings: list[Finding] = []
    for path in paths:
        reading = read_library(path, site.zone)
        findings += [_told(problem, path) for problem in reading.problems]
        rows += reading.rows
    versions: dict[str, list[LimitRow]] = defaultdict(list)
    for row in rows:
        versions[row.version].append(row)
    for version in sorted(versions):
        findings += check_rows(versions[version], site)
    return in_order(findings)


def _told(problem: Problem, path: Path) -> Finding:
    error = problem.error
    text = f"{error.column}: {error.what}" if error.column else error.what
    return Finding("error", problem.check, path.name, error.row, problem.care_area, problem.entry, text)


def check_rows(rows: Sequence[LimitRow], site: Site) -> list[Finding]:
    """Check the rows of one library version; see `check_files`."""
    found = [
        *_duplicates(rows),
        *band_findings(rows),
        *_quantities(rows),
        *(finding for row in rows for finding in unit_findings(row)),
        *value_findings(rows),
        *look_alikes(rows),
        *_high_alert(rows, site),
        *_areas(rows, site),
    ]
    return in_order(found)


def _place(row: LimitRow) -> tuple[object, ...]:
    return row.care_area, row.entry, row.strength, row.limited_quantity


def _duplicates(rows: Iterable[LimitRow]) -> Iterator[Finding]:
    seen: dict[tuple[object, ...], LimitRow] = {}
    for row in rows:
        key = (*_place(row), row.weight_min_kg, row.weight_max_kg)
        first = seen.setdefault(key, row)
        if first is not row:
            yield at(
                row, "error", "duplicate", f"stands twice: the same row is {first.file}, row {first.number}"
            )


def _quantities(rows: Iterable[LimitRow]) -> Iterator[Finding]:
    for row in rows:
        if not known_quantity(row):
            yield at(
                row, "error", "unknown_quantity", f"{row.quantity!r} is no quantity that a limit can be on"
            )


def _high_alert(rows: Sequence[LimitRow], site: Site) -> Iterator[Finding]:
    if site.entries is None:
        yield Finding(
            "note",
            "no_high_alert_flags",
            "",
            None,
            "",
            "",
            "there is no entries.csv, so nobody knows which entries are high-alert",
        )
        return
    flags = {row.entry: row.high_alert for row in site.entries}
    filed = spellings(site)[1] or {}
    names = {row.entry: filed.get(fold(row.entry)) for row in rows}
    guarded: dict[tuple[object, ...], list[LimitRow]] = defaultdict(list)
    for row in rows:
        name = names[row.entry]
        if name is None:
            yield at(row, "note", "entry_not_filed", "entries.csv does not hold this entry")
            continue
        if flags[name]:
            guarded[row.care_area, row.entry, row.strength].append(row)
        if name != row.entry:
            yield _spelt(row, "entry_spelt_otherwise", f"entries.csv files this entry as {name!r}")
    for same in guarded.values():
        if not all(
            any("hard_high" in row.limits for row in band)
            for band in _by_band([row for row in same if row.limited_quantity in _GUARDED])
        ):
            yield at(
                same[0],
                "warning",
                "bypassable_high_alert",
                "a high-alert entry without a hard high limit on dose or rate: "
                "every warning about too much can be confirmed past",
            )
    present = set(names.values())
    for entry in sorted(flags):
        if entry not in present:
            yield Finding(
                "note",
                "entry_not_in_library",
                rows[0].file if rows else "",
                None,
                "",
                entry,
                "entries.csv holds this entry and the library does not",
            )


def _by_band(rows: Sequence[LimitRow]) -> list[list[LimitRow]]:
    """Group rows by band of weights; no row at all is one empty group, which nothing guards."""
    bands: dict[str, list[LimitRow]] = defaultdict(list)
    for row in rows:
        bands[row.weights].append(row)
    return list(bands.values()) or [[]]


def _spelt(row: LimitRow, check: str, text: str) -> Finding:
    """Tell of a name that what is logged will not have: events bear the declared one, whatever was logged."""
    return at(row, "warning", check, f"{text}; no logged use is matched with this row until it is so named")


def _areas(rows: Iterable[LimitRow], site: Site) -> Iterator[Finding]:
    known = spellings(site)[0]
    if not known:
        return
    told: set[str] = set()
    for row in rows:
        name = known.get(fold(row.care_area))
        if row.care_area in told or name == row.care_area:
            continue
        told.add(row.care_area)
        if name is None:
            yield at(row, "warning", "area_not_declared", "site.toml does not declare this care area")
        else:
            yield _spelt(row, "area_spelt_otherwise", f"site.toml declares this care area as {name!r}")
