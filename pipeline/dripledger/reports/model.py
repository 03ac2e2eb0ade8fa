"""The page of one month as a frozen value; renderers read it and know nothing of SQL."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Frozen(BaseModel):
    """A value that does not change once it is made."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Stamp(Frozen):
    """What a page was made from; no wall-clock."""

    facility: str
    time_zone: str
    store_version: int
    committed_on: str
    code_version: str
    definitions_version: str
    declarations_sha256: str
    #: Files of the site edited since the version was committed, that the output goes by all the same.
    edited: tuple[str, ...] = ()


class Figure(Frozen):
    """One cell for people: texts are set already, numbers are for the plot."""

    #: "412 / 486"; empty where there are no counts.
    counts: str = ""
    #: Units of the two, where they are not the same: a number of things has none.
    units: tuple[str, str] = ("", "")
    #: "84.8 %"; empty where there is no value.
    value: str = ""
    #: "81.3 to 87.7"; empty where there is no interval.
    interval: str = ""
    status: str
    reason: str = ""
    share: float | None = None
    low: float | None = None
    high: float | None = None


class Item(Frozen):
    """Something counted, with a word of explanation."""

    what: str
    count: str
    detail: str = ""


class WindowRow(Frozen):
    """Start-based shares under one window of continuation."""

    window: str
    is_site: bool
    starts: Figure
    protected: Figure


class Job(Frozen):
    """Something that waits for a person."""

    count: str
    what: str
    how: str
    names: tuple[str, ...] = ()
    more: str = ""


class BalanceRow(Frozen):
    """The ledger balance of one source; texts are set."""

    source: str
    files: str
    read: str
    kept: str
    duplicates: str
    waiting: str
    ignored: str
    balanced: bool


class QualityRow(Frozen):
    """The data quality of one source in the month."""

    source: str
    figures: tuple[Figure, ...]


class OddRow(Frozen):
    """Alike implausible events of one pump in one shift."""

    what: str
    value: str
    pump: str
    date: str
    shift: str
    events: str


class OddList(Frozen):
    """The implausible events of the month, cut to a readable length."""

    rows: tuple[OddRow, ...]
    #: What is not shown, in words; empty where all is.
    more: str


class Missing(Frozen):
    """A measure or cells of it without a figure, and why."""

    title: str
    where: str
    reason: str


class Definition(Frozen):
    """One measure in words."""

    id: str
    title: str
    question: str
    numerator: str
    denominator: str
    exclusions: str
    direction: str
    interval: str
    least: str
    comparable: str
    source: str
    built: bool
    #: Names of its rows in tables.
    rows: tuple[str, ...]


class Page(Frozen):
    """Everything that the page of a month says."""

    title: str
    month: str
    month_name: str
    stamp: Stamp
    final: bool
    #: "Final.", "Provisional." or "Nothing."
    standing: str
    state: str
    jobs: tuple[Job, ...]
    #: What the groups that are no care areas are, in sentences.
    no_area_notes: tuple[str, ...]
    windows: tuple[WindowRow, ...]
    apart: tuple[Item, ...]
    odd: OddList
    fleet: Figure
    completeness: Figure
    balance: tuple[BalanceRow, ...]
    balanced: bool
    quality_titles: tuple[str, ...]
    quality: tuple[QualityRow, ...]
    left_out: tuple[str, ...]
    missing: tuple[Missing, ...]
    thresholds: tuple[tuple[str, str], ...]
    definitions: tuple[Definition, ...]
    cautions: tuple[str, ...]
    glossary: tuple[tuple[str, str], ...]
