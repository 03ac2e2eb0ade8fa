"""What the values of one column look like: numbers, times, units, labels, or something about a person."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Final

import duckdb

from dripledger.drafting.codes import CODED, share_of_codes
from dripledger.drafting.labels import known_share
from dripledger.drafting.moments import TimeReading, read_epochs, read_times
from dripledger.drafting.sample import Sample
from dripledger.drafting.words import concepts_of, fold, stem_share, tokens, value_stems
from dripledger.schema.units import UNITS, normalise_unit

_NUMBER: Final = re.compile(
    r"[+-]?\d{1,3}(?:[ .,'\u00a0]?\d{3})*(?:[.,]\d+)?|[+-]?\d+(?:[.,]\d+)?|[+-]?[.,]\d+"
)
_WHOLE: Final = re.compile(r"\d{1,18}")
_POINT: Final = re.compile(r"[+-]?\d*\.\d{1,2}|[+-]?\d*\.\d{4,}|[+-]?0\.\d+|[+-]?\d{4,}\.\d+")
_COMMA: Final = re.compile(r"[+-]?\d*,\d{1,2}|[+-]?\d*,\d{4,}|[+-]?0,\d+|[+-]?\d{4,},\d+")
_EITHER: Final = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")
#: A family name and a given name, either first; titles.
_PERSON: Final = re.compile(
    r"(?:(?:dr|prof|mr|mrs|ms|frau|herr|sr|sra|mme|m)\.? )?[^\W\d_][^\W\d_'’-]+(?:, ?| )"
    r"[^\W\d_][^\W\d_'’-]*\.?"
    r"(?: [^\W\d_][^\W\d_'’-]*\.?)?",
    re.IGNORECASE,
)
#: A number and a unit, with one blank between them or none.
_CELL: Final = re.compile(r"([+-]?\d+(?:[.,]\d+)?)( ?)([^\s\d].*)")
_VERSION: Final = re.compile(r"[vVrR]?\d+(?:\.\d+)+|[vVrR]\d+|\d{1,3}")
#: Concepts that make a column one about people whatever else it says.
PERSONAL: Final = ("patient", "case", "name", "birth", "sex", "staff", "address")
_THINGS: Final = (
    "drug",
    "pump",
    "area",
    "kind",
    "alarm",
    "library",
    "channel",
    "unit",
    "text",
    "model",
    "software",
)


@dataclass
class Profile:
    """One column.

    Parameters
    ----------
    name
        Its raw field.
    values
        Its values, one a record; None: empty.
    time
        How it is read as times, if it holds any.
    said
        The words that its header is taken to say; its name where nothing says more.
    cells
        Units that stand behind its numbers, inside its cells, as written; `values` are then the numbers.
    glued
        Whether in some cell no blank parts them.
    """

    name: str
    values: list[str | None]
    time: TimeReading | None
    said: str
    cells: Counter[str] = field(default_factory=Counter)
    glued: bool = False

    @cached_property
    def texts(self) -> list[str]:
        """The values that are there."""
        return [v for v in self.values if v is not None]

    @cached_property
    def counts(self) -> Counter[str]:
        """How often each value stands there."""
        return Counter(self.texts)

    @property
    def filled(self) -> float:
        """Share of records with a value."""
        return len(self.texts) / max(len(self.values), 1)

    @cached_property
    def concepts(self) -> dict[str, float]:
        """What its header speaks of."""
        bare = re.sub(r"[\[({<].*?[\])}>]", " ", self.said).rpartition("/")[2] or self.said
        # of a dotted path the last name says most
        leaf = bare.rpartition(".")[2]
        found = dict(concepts_of(leaf if leaf.strip() else bare))
        for concept, score in concepts_of(self.said).items():
            found.setdefault(concept, (0.95 if leaf != bare else 0.8) * score)
        return found

    def says(self, concept: str) -> float:
        """Return how surely its header speaks of something."""
        return self.concepts.get(concept, 0.0)

    def _share(self, pattern: re.Pattern[str]) -> float:
        return sum(bool(pattern.fullmatch(t)) for t in self.texts) / max(len(self.texts), 1)

    @cached_property
    def numeric(self) -> float:
        """Share of its values that are numbers."""
        return self._share(_NUMBER)

    @cached_property
    def whole(self) -> float:
        """Share of its values that are whole numbers without sign."""
        return self._share(_WHOLE)

    @cached_property
    def marks(self) -> dict[str, int]:
        """How many numbers have a point, a comma, and either with three digits after it."""
        return {
            ".": sum(bool(_POINT.fullmatch(t)) for t in self.texts),
            ",": sum(bool(_COMMA.fullmatch(t)) for t in self.texts),
            "either": sum(bool(_EITHER.fullmatch(t)) for t in self.texts),
        }

    @cached_property
    def unit_shapes(self) -> Counter[str]:
        """What its values are units of: role -> records; see `unit_role`."""
        found: Counter[str] = Counter()
        for text, n in self.counts.items():
            if (role := unit_role(text)) is not None:
                found[role] += n
        return found

    @cached_property
    def units(self) -> float:
        """Share of its values that are units."""
        told = sum(n for t, n in self.counts.items() if normalise_unit(t) is not None and not t.isdigit())
        return told / max(len(self.texts), 1)

    @cached_property
    def header_unit(self) -> str | None:
        """The unit that stands in its header, as a UCUM code."""
        return unit_in_header(self.name)

    @cached_property
    def events(self) -> float:
        """Share of its distinct values that name a kind of event."""
        return known_share(list(self.counts)[:200])

    @cached_property
    def drugs(self) -> float:
        """Share of its distinct values that hold the name of a drug."""
        return stem_share(list(self.counts)[:300], value_stems("drug"))

    @cached_property
    def areas(self) -> float:
        """Share of its distinct values that sound like a care area."""
        return stem_share(list(self.counts)[:300], value_stems("area"))

    @cached_property
    def personal(self) -> str | None:
        """Why it seems to be about people; None: it does not seem so.

        What is doubtful counts as about people: a column that is masked in error costs a line of a mapping.
        """
        said = {c: self.says(c) for c in PERSONAL}
        thing = max((self.says(c) for c in _THINGS), default=0.0)
        measured = max(self.says(c) for c in ("weight", "volume", "rate", "dose"))
        for concept, score in said.items():
            if score < 0.6 or (concept == "patient" and (measured >= 0.6 or self.says("kind") >= 0.9)):
                continue
            if concept == "name" and thing > 0.55 and said["patient"] < 0.6 and said["staff"] < 0.6:
                continue
            if concept in ("birth", "case", "sex", "address") and (score < 0.75 or thing > score):
                continue
            if concept == "staff" and (thing >= score or self._decides):
                continue
            return f"its header speaks of people ({concept})"
        if self._looks_like_names():
            return "its values look like names of people"
        return None

    @property
    def _decides(self) -> bool:
        """Whether its values say what was done after a warning and nothing else: an answer, no user."""
        return share_of_codes("decision_logged", list(self.counts)) == 1

    def _looks_like_names(self) -> bool:
        named = [t for t in self.counts if _PERSON.fullmatch(t)]
        return (
            len(named) >= max(1, 0.6 * len(self.counts))
            and self.events < 0.3
            and self.drugs < 0.3
            and self.areas < 0.3
            and self.units < 0.3
            and max(share_of_codes(column, list(self.counts)) for column in CODED) < 0.6
        )

    @property
    def is_text(self) -> bool:
        """Whether it holds words."""
        return self.numeric < 0.5 and self.time is None and self.units < 0.5

    @property
    def versions(self) -> float:
        """Share of its values that could be numbers of versions."""
        return self._share(_VERSION)

    @cached_property
    def changes(self) -> float:
        """Share of neighbouring records between which its value changes."""
        return sum(a != b for a, b in pairwise(self.values)) / max(len(self.values) - 1, 1)

    @property
    def is_short_text(self) -> bool:
        """Whether it holds few and short texts, as a column of units does."""
        return (
            self.numeric < 0.5
            and self.time is None
            and len(self.counts) <= 40
            and max(map(len, self.counts)) <= 24
        )

    @property
    def is_few_words(self) -> bool:
        """Whether it holds a few texts that come again, as a column of codes does."""
        return self.is_short_text and 2 <= len(self.counts) <= 8 and len(self.texts) > 2 * len(self.counts)

    @property
    def ids(self) -> float:
        """Share of its distinct values that could be identifiers: no blank in them and not long."""
        told = sum(" " not in t and len(t) <= 40 for t in self.counts)
        return told / max(len(self.counts), 1)


def unit_role(text: str) -> str | None:
    """Return what a unit measures: rate, dose, concentration, weight, volume, duration; None: no unit."""
    code = normalise_unit(text)
    if code is None or text.isdigit():
        return None
    unit = UNITS[code]
    if unit.per_volume_ml is not None:
        return "concentration"
    if unit.per_time_s is not None:
        return "rate" if unit.dimension == "volume" and not (unit.per_kg or unit.per_m2) else "dose"
    if code in ("kg", "g", "[lb_av]"):
        return "weight"
    if unit.dimension == "volume":
        return "volume"
    if unit.dimension == "time":
        return "duration"
    return "amount"


def unit_in_header(header: str) -> str | None:
    """Return the unit that a header ends with: in brackets, or as its last words (``flow_ml_h``)."""
    if "/" in header and (code := normalise_unit(header.strip())) is not None:
        # a header that is nothing but a unit; of one without a stroke no word could be told from a unit
        return code
    # never at a hump while there are other seams: "mL" would fall into a metre and a litre
    seams = [re.split(r"[\s_]+", header.strip()), re.split(r"[\s_.\-]+", header.strip())]
    cut = [parts for parts in seams if len(parts) > 1] or [list(tokens(header))]
    for parts in cut:
        code = _unit_at_the_end(parts)
        if code is not None:
            return code
    told = re.search(r"[\[({<]\s*([^\])}>]+?)\s*[\])}>]", header)
    if told is not None and (code := normalise_unit(told[1])) is not None:
        return code
    return None


def _unit_at_the_end(parts: list[str]) -> str | None:
    for length in (4, 3, 2, 1):
        tail = [p for p in parts[-length:] if fold(p) not in ("per", "pro", "par", "por")]
        if len(parts) <= length or not tail:
            continue
        if (
            len(tail) == 1
            and (fold(tail[0]) == "g" or fold(tail[0]).startswith(_GRAMS))
            and _weighs(parts[:-1])
        ):
            return "g"
        code = normalise_unit("/".join(tail))
        if code is None or code.isdigit():
            continue
        if len(tail) == 1 and not set("/[") & set(tail[0]) and fold(tail[0]) not in _ALONE:
            continue
        return code
    return None


def _weighs(parts: list[str]) -> bool:
    return concepts_of(" ".join(parts)).get("weight", 0.0) >= 0.6


_GRAMS: Final = ("gram", "gms")
#: A last word that is a unit by itself; "m", "d" or "in" are more often something else.
_ALONE: Final = frozenset({"kg", "ml", "mg", "mcg", "ug", "lb", "lbs", "min", "sec", "mlh"})


def profiles(sample: Sample, language: str, con: duckdb.DuckDBPyConnection) -> dict[str, Profile]:
    """Return the profile of every column of a sample that holds a value."""
    return {
        name: _profile(name, column, read_times(column, language, con), sample.meanings.get(name, name))
        for name, column in sample.values.items()
        if any(v is not None for v in column)
    }


def _profile(name: str, column: list[str | None], time: TimeReading | None, said: str) -> Profile:
    plain = Profile(name, column, time, said)
    if time is not None and not time.has_date and plain.whole > 0.5 and plain.says("time") < 0.6:
        # "07004" is a serial number, not a time of day
        plain = Profile(name, column, None, said)
    if plain.time is not None:
        return plain
    counted = read_epochs(column)
    if (
        counted is not None
        and plain.personal is None
        and max(plain.says("number"), plain.says("pump")) < 0.85
    ):
        runs_on = sum(b >= a for a, b in pairwise(m for m in counted.moments if m is not None))
        if max(plain.says("time"), plain.says("date")) >= 0.6 or runs_on >= 0.9 * (len(plain.texts) - 1) > 4:
            return Profile(name, column, counted, said)
    split = [_CELL.fullmatch(v) if v is not None else None for v in column]
    cells = Counter(m[3] for m in split if m is not None and unit_role(m[3]) is not None)
    if cells.total() < 0.9 * len(plain.texts):
        return plain
    numbers = [m[1] if m is not None and m[3] in cells else v for m, v in zip(split, column, strict=True)]
    glued = any(m is not None and not m[2] for m in split)
    return Profile(name, numbers, None, said, cells, glued)
