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


class Figure(Frozen):
    """One cell for people: texts are set already, numbers are for the plot."""

    #: "412 / 486"; empty where there are no counts.
    counts: str = ""
    #: "84.8 %"; empty where there is no value.
    value: str = ""
    #: "81.3 to 87.7"; empty where there is no interval.
    interval: str = ""
    status: str
    reason: str = ""
    share: float | None = None
    low: float | None = None
    high: float | None = None


class AreaRow(Frozen):
    """One care area with the figures that are only shown together."""

    area: str
    starts: Figure
    hours: Figure
    protected: Figure
    left_midway: str
    #: Starts under an entry in the month before.
    before: Figure


class Item(Frozen):
    """Something counted, with a word of explanation."""

    what: str
    count: str
    detail: str = ""


class FigureRow(Frozen):
    """A line with one figure a column."""

    label: str
    figures: tuple[Figure, ...]


class FigureTable(Frozen):
    """Figures in columns; each column says what its counts are of."""

    columns: tuple[str, ...]
    bases: tuple[str, ...]
    rows: tuple[FigureRow, ...]


class OutcomeRow(Frozen):
    """What became of attempts in one care area: one text an outcome, which sum to `whole`."""

    area: str
    parts: tuple[str, ...]
    whole: str
    reason: str = ""


class OutcomeTable(Frozen):
    """What became of attempts that met one kind of limit."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[OutcomeRow, ...]


class Case(Frozen):
    """One listed case; texts are set. No clock time."""

    date: str
    shift: str
    area: str
    entry: str
    #: What was entered and which limit it met, or what happened.
    what: str
    #: How far: times the limit, times the rate, or minutes.
    size: str
    outcome: str
    source: str
    sha256: str
    record: str


class CaseList(Frozen):
    """Cases, cut to a readable length."""

    cases: tuple[Case, ...]
    #: What is not shown, in words; empty where all is.
    more: str


class Warnings(Frozen):
    """Limit alerts and what became of them."""

    areas: FigureTable
    phases: FigureTable
    outcomes: tuple[OutcomeTable, ...]
    #: Figures of the whole facility: title, base, figure.
    totals: tuple[tuple[str, str, Figure], ...]
    #: What these and the figures by phase or kind leave out, in sentences.
    left_out: tuple[str, ...]
    apart: tuple[Item, ...]
    far: CaseList
    left: CaseList


class Alarms(Frozen):
    """Alarms, and what they cost."""

    areas: FigureTable
    kinds: FigureTable
    totals: tuple[tuple[str, str, Figure], ...]
    #: What these and the figures by phase or kind leave out, in sentences.
    left_out: tuple[str, ...]
    apart: tuple[Item, ...]
    stops: CaseList
    high_alert_known: bool


class Changes(Frozen):
    """Changes of rate, and of the library."""

    areas: FigureTable
    big: CaseList


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


class PlotMark(Frozen):
    """One point with its interval, as fractions of the plot's width from the left."""

    at: float
    low: float | None
    high: float | None
    text: str


class PlotRow(Frozen):
    """One care area in the plot."""

    label: str
    starts: PlotMark | None
    hours: PlotMark | None


class Plot(Frozen):
    """The interval plot; positions are fractions of its width."""

    rows: tuple[PlotRow, ...]
    ticks: tuple[tuple[float, str], ...]
    begins_at: str
    description: str


class FileEntry(Frozen):
    """A file beside the page."""

    name: str
    what: str


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
    #: The month before as a name; empty where the store holds nothing of it.
    before_name: str
    jobs: tuple[Job, ...]
    areas: tuple[AreaRow, ...]
    plot: Plot | None
    #: What the groups that are no care areas are, in sentences.
    no_area_notes: tuple[str, ...]
    belongs_here: tuple[str, ...]
    windows: tuple[WindowRow, ...]
    warnings: Warnings
    alarms: Alarms
    changes: Changes
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
    not_built: tuple[str, ...]
    thresholds: tuple[tuple[str, str], ...]
    definitions: tuple[Definition, ...]
    cautions: tuple[str, ...]
    glossary: tuple[tuple[str, str], ...]
    files: tuple[FileEntry, ...]
