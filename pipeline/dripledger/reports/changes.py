"""Before and after each declared change: the difference, its interval, and what it cannot exclude."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Final

from dripledger.lists import ChangeRow
from dripledger.measures import MEASURES, ROWS, Amount, Form
from dripledger.reports.anew import first_month
from dripledger.reports.blocks import Block, Bullets, Cell, Column, Heading, Leaf, Table, Text
from dripledger.reports.cards import set_value, title_of
from dripledger.reports.material import Material, Row
from dripledger.reports.naming import day, short_month
from dripledger.reports.together import CHARTED
from dripledger.reports.words import amount, plural, whole
from dripledger.statistics import Comparison, Setting, compare_rates, compare_shares, month_spread

FILE: Final = "changes.html"
#: Whole months that either side takes at most.
SIDE: Final = 6
#: What is compared where a change names no measures.
_USUAL: Final = (
    "library_use_starts",
    "protected_share",
    "soft_alert_share",
    "override_share",
    "delivery_alarm_rate",
)
_COLUMNS: Final = (
    Column("Measure"),
    Column("Before", number=True, tight=True),
    Column("After", number=True, tight=True),
    Column("What that says"),
)


@dataclass(frozen=True, slots=True)
class Side:
    """What the months of one side add up to, and their rows of the table of measures."""

    counted: int
    whole: Decimal
    rows: tuple[Row, ...]

    @property
    def counts(self) -> tuple[int, ...]:
        """What was counted in each month."""
        return tuple(int(row["numerator"]) for row in self.rows)

    @property
    def sizes(self) -> tuple[float, ...]:
        """Out of how many, or of how long, in each month."""
        return tuple(float(row["denominator"]) for row in self.rows)


def page_behind(number: int, measure: str) -> str:
    """Return the page of what the figures of a measure beside a change are made of."""
    return f"lists/change-{number}-{measure}.html"


def shown_changes(material: Material) -> list[ChangeRow]:
    """Return the declared changes of the months shown, in order of time."""
    found = [row for row in material.site.changes if f"{row.date:%Y-%m}" in material.months]
    return sorted(found, key=lambda row: (row.date, row.area or "", row.what))


def changes_leaf(material: Material) -> Leaf:
    """Compose the page of declared changes; there is one only where `shown_changes` has any."""
    blocks: list[Block] = []
    cautions: dict[str, None] = {}
    for number, row in enumerate(shown_changes(material)):
        where = f", {row.area}" if row.area else ""
        on = day(row.date, material.site.settings.report.dates)
        blocks.append(Heading(f"{row.what}{where}: {on}", f"change-{number}"))
        before, after = sides(material, row.date)
        if not before or not after:
            missing = "before" if not before else "since"
            blocks.append(Text(f"No whole month that is final has passed {missing}, so nothing is compared."))
            continue
        blocks.append(
            Text(f"Before: {_span(before)}. After: {_span(after)}.{_also(material, row, before, after)}")
        )
        if left := [name for name in row.measures if name not in CHARTED]:
            rest = "." if len(left) < len(row.measures) else ", so the usual measures stand here."
            blocks.append(Text(f"It names {', '.join(title_of(n) for n in left)}: no chart has that{rest}"))
        lines = []
        for measure, one, two, told in all_compared(material, row):
            page = page_behind(number, measure)
            lines.append(
                (Cell(title_of(measure)), _side(material, measure, told.before, one, f"{page}#before"),
                 _side(material, measure, told.after, two, f"{page}#after"), Cell(told.sentence))
            )  # fmt: skip
            cautions.update(dict.fromkeys(told.cautions))
        empty = "Nothing of it can be compared: no share of counts and no rate of events was measured."
        blocks.append(Table(_COLUMNS, tuple(lines), empty=empty))
    if cautions:
        blocks += [Heading("What such a comparison cannot exclude", "cautions"), Bullets(tuple(cautions))]
    lead = (
        f"Up to {SIDE} whole months before each change that the site declared, against as many after it. "
        f"{material.page.cautions[0]}"
    )
    return Leaf(FILE, "Before and after declared changes", lead, tuple(blocks), nav="Changes")


def sides(material: Material, on: date) -> tuple[list[str], list[str]]:
    """Return the whole, final months on either side of a date, the nearest six at most."""
    known = (*material.earlier.months, *material.months)
    open_ = {name for name, state in material.states.items() if state.provisional}
    final = [name for name in known if name not in open_ | material.earlier.provisional]
    before = [name for name in final if name < f"{on:%Y-%m}"][-SIDE:]
    return before, [name for name in final if name >= first_month(on)][:SIDE]


def all_compared(material: Material, row: ChangeRow) -> Iterator[tuple[str, Side, Side, Comparison]]:
    """Compare what there is in each measure of a change: measure, before, after, what that says."""
    before, after = sides(material, row.date)
    for measure in _measures(row) if before and after else ():
        found = compared(material, row, measure, before, after)
        if found is not None and (found[0].whole or found[1].whole):
            yield measure, *found


def compared(
    material: Material, row: ChangeRow, measure: str, before: list[str], after: list[str]
) -> tuple[Side, Side, Comparison] | None:
    """Compare one measure in the area of a change ('' is the facility); None where it cannot be added up."""
    declared = MEASURES[ROWS[measure][0].id]
    rate = declared.form is Form.RATE
    if declared.counted is not Amount.COUNT or not (rate or declared.over is Amount.COUNT):
        return None
    rows = {one["month"]: one for one in material.rows_of(measure, row.area or "")}
    one, two = (_added([rows[name] for name in months if name in rows]) for months in (before, after))
    minimums = material.site.settings.minimums
    enough = min(one.whole, two.whole) >= (Decimal(minimums.channel_hours) if rate else minimums.starts)
    setting = Setting(
        "this change",
        tuple(sorted({int(name[5:]) for name in before})), tuple(sorted({int(name[5:]) for name in after})),
        decimal=material.decimal,
    )  # fmt: skip
    spread = month_spread(one.counts, one.sizes, two.counts, two.sizes, share=not rate)
    if rate:
        hundreds = (float(one.whole) / 100, float(two.whole) / 100)
        told = compare_rates(
            one.counted, hundreds[0], two.counted, hundreds[1], setting, enough=enough, spread=spread
        )
    else:
        told = compare_shares(
            one.counted, int(one.whole), two.counted, int(two.whole), setting, enough=enough, spread=spread
        )
    return one, two, told


def _added(rows: list[Row]) -> Side:
    # Alarms of a channel that is only kept open can stand over no running hour.
    told = [row for row in rows if row["numerator"] is not None and row["denominator"]]
    whole = sum((row["denominator"] for row in told), Decimal(0))
    return Side(sum(int(row["numerator"]) for row in told), whole, tuple(told))


def _also(material: Material, row: ChangeRow, before: list[str], after: list[str]) -> str:
    """Name the other changes of the same months that concern the same area: no figure tells them apart."""
    dates = material.site.settings.report.dates
    others = [
        f"{other.what}{f', {other.area}' if other.area else ''} ({day(other.date, dates)})"
        for other in sorted(material.site.changes, key=lambda one: (one.date, one.area or "", one.what))
        if other != row
        and before[0] <= f"{other.date:%Y-%m}" <= after[-1]
        and (not row.area or not other.area or other.area == row.area)
    ]
    if not others:
        return ""
    return f" Also declared in these months: {'; '.join(others)}. What follows may come of any of them."


def _measures(row: ChangeRow) -> tuple[str, ...]:
    named = tuple(name for name in row.measures if name in CHARTED)
    return named or _USUAL


def _side(material: Material, measure: str, value: float | None, side: Side, behind: str) -> Cell:
    shown = "counts only" if value is None else set_value(measure, value, material.decimal)
    counts = Cell(whole(side.counted), behind), Cell(amount(side.whole, material.decimal), behind)
    return Cell(shown, value=value, counts=counts)


def _span(months: list[str]) -> str:
    first, last = short_month(months[0]), short_month(months[-1])
    count = f"{whole(len(months))} {plural(len(months), 'month')}"
    return f"{count}, {first}" if first == last else f"{count}, {first} to {last}"
