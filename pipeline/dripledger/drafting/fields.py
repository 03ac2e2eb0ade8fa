"""Which column is which: every pair of a raw field and a canonical column scored, the best pairs taken first.

A score joins what the header says with what the values look like; neither alone makes a field sure.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from dripledger.drafting.codes import codes_in, share_of_codes, share_of_words
from dripledger.drafting.evidence import Running, UnitOf, running, units
from dripledger.drafting.labels import alarm_of
from dripledger.drafting.letters import find_letters
from dripledger.drafting.profile import Profile
from dripledger.sources.parts import FIXED_UNIT, UNIT_COLUMN

#: Below this nothing is proposed; from here on it is likely; from here on sure.
_LEAST: Final = 0.42
LIKELY: Final = 0.6
SURE: Final = 0.78
_NUMBERS: Final = frozenset({*FIXED_UNIT, *UNIT_COLUMN, "bolus_dose_value"})
#: Concepts that say too little of a column of codes without the word limit beside them.
_VAGUE: Final = frozenset({"type", "alarm", "kind"})
_OF_LIMITS: Final = ("limit_kind", "limit_side", "limit_quantity")
#: Columns of codes that are known by their values alone.
_TOLD_BY_VALUES: Final = frozenset({"limit_kind", "decision_logged"})
_VERSIONED: Final = re.compile(r"\D?\d+(\.\d+)+")


@dataclass(frozen=True)
class Found:
    """One field of a mapping.

    Parameters
    ----------
    target
        The canonical column.
    column
        The raw field.
    score
        How sure, 0 to 1.
    why
        The reasons, for a comment.
    """

    target: str
    column: str
    score: float
    why: str

    @property
    def sure(self) -> str:
        """How sure, as a word."""
        return "sure" if self.score >= SURE else "likely" if self.score >= LIKELY else "a guess"


@dataclass
class Fields:
    """What the columns of a sample were found to be.

    Parameters
    ----------
    found
        Canonical column -> field.
    units
        Raw field -> its unit.
    running
        Raw field -> how its numbers run on.
    personal
        Raw field -> why it seems to be about people.
    keyed
        Raw fields that become pseudonyms.
    letters
        Canonical column -> code of each letter, where its values are letters.
    """

    found: dict[str, Found]
    units: dict[str, UnitOf]
    running: dict[str, Running]
    personal: dict[str, str]
    keyed: list[str] = field(default_factory=list)
    letters: dict[str, Mapping[str, str]] = field(default_factory=dict)

    def column(self, target: str) -> str | None:
        """Return the raw field of a canonical column."""
        return self.found[target].column if target in self.found else None


_Score = Callable[[Profile], tuple[float, str]]


class _Scorer:
    """Scores pairs; holds the evidence that more than one column gives."""

    def __init__(self, columns: Mapping[str, Profile]) -> None:
        self.columns = columns
        self.units = units(columns)
        self.running = running({n: p for n, p in columns.items() if p.personal is None})
        self.records = max((len(p.values) for p in columns.values()), default=0)

    def rules(self) -> dict[str, _Score]:
        """Return the rule of each canonical column."""
        number = self._number
        return {
            "pump_id": self._pump,
            "channel": self._channel,
            "sequence": self._sequence,
            "kind": self._kind,
            "entry": lambda p: self._text(p, "drug", p.drugs, ("concentration", "unit", "number", "library")),
            "care_area": lambda p: self._text(p, "area", p.areas, ("unit", "location", "rate")),
            "location": lambda p: self._text(p, "location", 0.0, ("unit",)),
            "alarm_label": self._alarm,
            "alarm_priority": lambda p: self._text(p, "priority", 0.3, ()),
            "stop_reason": lambda p: self._text(p, "reason", 0.0, ("alarm",)),
            "library_version": self._library_version,
            "software_version": lambda p: self._both(p, "software", "version"),
            "library_use": self._library_use,
            "limit_kind": lambda p: self._code(p, "limit_kind", "limit", "type", "alarm"),
            "limit_side": lambda p: self._code(p, "limit_side", "side", "limit"),
            "limit_quantity": lambda p: self._code(p, "limit_quantity", "quantity", "limit", "type"),
            "decision_logged": lambda p: self._code(p, "decision_logged", "decision", "kind", "limit"),
            "pump_model": self._model,
            "rate_ml_h": lambda p: number(p, "rate", "rate", ("previous", "limit", "entered", "bolus")),
            "previous_rate_ml_h": lambda p: number(p, "rate", "rate", ("limit",), also="previous"),
            "dose_value": lambda p: number(p, "dose", "dose", ("previous", "limit", "entered", "bolus")),
            "previous_dose_value": lambda p: number(p, "dose", "dose", ("limit",), also="previous"),
            "bolus_dose_value": lambda p: number(
                p, "bolus", "amount", ("previous", "limit", "rate", "volume")
            ),
            "concentration_value": lambda p: number(
                p, "concentration", "concentration", ("previous", "limit")
            ),
            "weight_kg": lambda p: number(p, "weight", "weight", ("previous", "limit", "dose", "rate")),
            "volume_to_infuse_ml": lambda p: number(
                p, "target", "volume", ("delivered", "limit", "duration")
            ),
            "volume_delivered_ml": lambda p: number(
                p, "delivered", "volume", ("target", "limit", "duration")
            ),
            "programmed_duration_s": lambda p: number(p, "duration", "duration", ("delivered",)),
            "limit_value": lambda p: number(p, "limit", "", ("entered",)),
            "entered_value": lambda p: number(p, "entered", "", ()),
            "syringe_size_ml": lambda p: number(p, "syringe", "volume", ("target", "delivered")),
        }

    def _model(self, p: Profile) -> tuple[float, str]:
        # "mode" could be cut from "model", and is a word of its own
        return self._text(p, "model", 0.3, ()) if p.says("model") > max(0.7, p.says("mode")) else (0.0, "")

    def _number(
        self, p: Profile, concept: str, role: str, bad: tuple[str, ...], also: str | None = None
    ) -> tuple[float, str]:
        if p.numeric < 0.8 or p.time is not None or p.units > 0.5:
            return 0.0, ""
        header = p.says(concept)
        if also is not None:
            header = min(header, p.says(also))
            if not header:
                return 0.0, ""
        unit = self.units.get(p.name)
        agrees = unit is not None and unit.role == role
        if unit is not None and role and not agrees and not (role == "dose" and unit.role == "rate"):
            # a dose rate of volume per weight or time is told by its words alone
            return 0.0, ""
        worst = max((p.says(c) for c in bad), default=0.0)
        if worst > header or (worst >= 0.75 and worst > header - 0.1 and also is None):
            return 0.0, ""
        if max(p.says("number"), p.says("sequence")) >= 0.85 and not agrees:
            return 0.0, ""
        if not header and not (agrees and role in ("rate", "dose", "concentration", "weight")):
            return 0.0, ""
        score = (0.68 * header + 0.3) if agrees else 0.7 * header
        reasons = [_header(header), "its values are numbers"]
        if agrees and unit is not None:
            reasons.append(
                f"the unit in {unit.column!r} fits" if unit.column else "the unit in its header fits"
            )
        return (score if header else 0.5), "; ".join(r for r in reasons if r)

    def _text(self, p: Profile, concept: str, like: float, bad: tuple[str, ...]) -> tuple[float, str]:
        header = p.says(concept)
        worst = max((p.says(c) for c in bad), default=0.0)
        if not p.is_text and not (p.numeric >= 0.5 and header >= 0.9 and p.time is None and p.units < 0.5):
            return 0.0, ""
        if worst > header or (not header and like < 0.5):
            return 0.0, ""
        score = 0.62 * header + 0.38 * like if header else 0.35 + 0.25 * like
        reasons = [_header(header), f"{like:.0%} of its values sound like it" if like >= 0.3 else ""]
        return score, "; ".join(r for r in reasons if r)

    def _both(self, p: Profile, one: str, other: str) -> tuple[float, str]:
        header = min(p.says(one), p.says(other))
        return (0.9 * header, _header(header)) if header and p.time is None else (0.0, "")

    def _pump(self, p: Profile) -> tuple[float, str]:
        bad = max(
            p.says(c) for c in ("model", "software", "version", "kind", "alarm", "library", "channel", "type")
        )
        header = max(p.says("pump"), 0.9 * p.says("serial"))
        if (
            p.time is not None
            or p.units > 0.5
            or p.ids < 0.6
            or (bad > header and header < 0.9)
            or bad >= 0.9
        ):
            return 0.0, ""
        if p.numeric >= 0.5 and p.whole < 0.9:
            return 0.0, ""
        few = len(p.counts) <= max(1, 0.6 * len(p.texts)) or len(p.texts) < 5
        runs = max((r.share for r in self.running.values() if r.within == p.name), default=0.0)
        if not few or (not header and runs < 0.8):
            return 0.0, ""
        if (
            len(p.counts) == 1
            and len(p.texts) >= 20
            and (p.says("pump") < 0.85 or _VERSIONED.fullmatch(p.texts[0]))
        ):
            # the same in every record: a version, a site or a format
            return 0.0, ""
        reasons = [_header(header), "each of its values comes again and again"]
        if runs >= 0.8:
            reasons.append("another column counts on inside it")
        score = 0.55 * header + 0.15 * (p.filled >= 0.95) + 0.3 * (runs if runs >= 0.8 else 0.5)
        return score, "; ".join(r for r in reasons if r)

    def _channel(self, p: Profile) -> tuple[float, str]:
        header = p.says("channel")
        short = all(len(t) <= 16 for t in p.counts) and len(p.counts) <= 16
        if not header or not short or p.time is not None or p.units > 0.5 or p.says("pump") > header:
            return 0.0, ""
        return 0.75 * header + 0.2, f"{_header(header)}; few and short values"

    def _sequence(self, p: Profile) -> tuple[float, str]:
        if p.whole < 0.95 or p.time is not None or p.name not in self.running:
            header = max(p.says("sequence"), min(p.says("number"), p.says("record")))
            sparse = (
                p.whole >= 0.95 and p.time is None and header >= 0.75 and len(p.counts) >= 0.5 * len(p.texts)
            )
            return (0.6 * header, f"{_header(header)}; whole numbers") if sparse else (0.0, "")
        told = self.running[p.name]
        header = max(p.says("sequence"), min(p.says("number"), p.says("record")), 0.7 * p.says("number"))
        by_pump = 0.2 if self._by_pump(told) else 0.0
        if told.within is None and header < 0.85 and any(self._by_pump(r) for r in self.running.values()):
            # the records of the file are numbered, and another column numbers those of each pump
            by_pump = -0.3
        inside = f"inside {told.within!r}" if told.within is not None else "over the file"
        reasons = [_header(header), f"{told.share:.0%} of its steps are one, {inside}"]
        return 0.45 * header + 0.45 * told.share + by_pump, "; ".join(r for r in reasons if r)

    def _by_pump(self, told: Running) -> bool:
        pump = self.columns[told.within] if told.within is not None else None
        return pump is not None and told.share >= 0.6 and max(pump.says("pump"), pump.says("serial")) >= 0.6

    def _kind(self, p: Profile) -> tuple[float, str]:
        header = max(p.says("kind"), 0.5 * p.says("text"), 0.5 * p.says("type"), 0.4 * p.says("alarm"))
        if p.time is not None or p.units > 0.5 or not p.texts:
            return 0.0, ""
        if p.name in self.running or (p.whole > 0.9 and len(p.counts) > 100):
            return 0.0, ""
        if (p.numeric > 0.5 and p.events == 0 and p.says("kind") < 0.75) or p.filled < 0.5:
            return 0.0, ""
        if not header and p.events < 0.4:
            # what changes from record to record, in few words that come again, may be what happened
            alike = p.filled >= 0.95 and p.changes >= 0.4 and 3 <= len(p.counts) <= min(100, len(p.texts) / 2)
            if not alike or p.events < 0.1 or not p.is_text:
                return 0.0, ""
            return 0.45, f"few values that change with the record, {p.events:.0%} of them name an event"
        if max(p.says("drug"), p.says("area"), p.says("reason"), p.says("sequence")) > max(header, 0.7):
            return 0.0, ""
        score = 0.5 * header + 0.5 * min(1.0, 1.4 * p.events) if p.events else 0.6 * header
        reasons = [_header(header), f"{p.events:.0%} of its labels name an event" if p.events else ""]
        return score, "; ".join(r for r in reasons if r)

    def _alarm(self, p: Profile) -> tuple[float, str]:
        header = p.says("alarm")
        if not header or not p.is_text or max(p.says("priority"), p.says("limit")) > 0.6:
            return 0.0, ""
        like = sum(alarm_of(t) is not None for t in p.counts) / len(p.counts)
        return 0.65 * header + 0.35 * like, f"{_header(header)}; {like:.0%} of its values name an alarm"

    def _library_version(self, p: Profile) -> tuple[float, str]:
        score, why = self._both(p, "library", "version")
        if not score and p.says("library") >= 0.9 and p.versions >= 0.9 and p.units < 0.5 and p.time is None:
            return 0.65, "its header speaks of the library, and its values are numbers of versions"
        return score, why

    def _library_use(self, p: Profile) -> tuple[float, str]:
        header = max(p.says("use"), 0.8 * p.says("library"))
        like = share_of_words("library_use", list(p.counts))
        # of a mode that its words do not tell to be the library's, the values must
        moded = 0.6 * p.says("mode") if like >= 0.6 and codes_in("library_use", list(p.counts)) else 0.0
        header = max(header, moded)
        if not header or p.says("version") > 0.6 or len(p.counts) > 8 or p.time is not None:
            return 0.0, ""
        if p.versions > 0.5:
            return 0.0, ""
        values = f"{like:.0%} of its values speak of the library" if like >= 0.3 else "few values"
        return 0.6 * header + 0.3 * like, "; ".join(r for r in (_header(header), values) if r)

    def _code(self, p: Profile, column: str, *concepts: str) -> tuple[float, str]:
        """Score a column of codes: its values must be words of that column, whatever its header says."""
        texts = list(p.counts)
        if not p.is_text or len(texts) > 24 or max(p.says("version"), p.says("priority")) > 0.6:
            return 0.0, ""
        header = max(min(p.says("limit"), p.says(c)) for c in concepts)
        header = max(header, 0.8 * max(p.says(c) for c in concepts if c not in _VAGUE))
        like, codes = share_of_words(column, texts), codes_in(column, texts)
        if like < 0.5 or not codes or (not header and (like < 1 or len(codes) < 2)):
            return 0.0, ""
        if not header and column not in _TOLD_BY_VALUES:
            return 0.0, ""
        score = 0.5 * header + 0.45 * like if header else 0.5
        reasons = [_header(header), f"{like:.0%} of its values are words for it ({', '.join(sorted(codes))})"]
        return score, "; ".join(r for r in reasons if r)


def _header(score: float) -> str:
    return "its header says so" if score >= 0.85 else "its header may say so" if score > 0 else ""


def find_fields(columns: Mapping[str, Profile]) -> Fields:
    """Return what each column is.

    Parameters
    ----------
    columns
        Raw field -> its profile, in the order of the file; times are settled elsewhere.
    """
    scorer = _Scorer(columns)
    personal = {name: told for name, p in columns.items() if (told := p.personal) is not None}
    pairs: list[tuple[float, int, str, str, str]] = []
    for place, (target, rule) in enumerate(scorer.rules().items()):
        for name, p in columns.items():
            if name in personal:
                continue
            score, why = rule(p) if not p.cells or target in _NUMBERS else (0.0, "")
            if score >= _LEAST:
                pairs.append((-score, place, name, target, why))
    found: dict[str, Found] = {}
    taken: set[str] = set()
    for negative, _, name, target, why in sorted(pairs):
        if target not in found and name not in taken:
            found[target] = Found(target, name, -negative, why)
            taken.add(name)
    _shared(columns, found)
    fields = Fields(found, scorer.units, scorer.running, personal)
    kinds = columns[found["kind"].column] if "kind" in found else None
    for one in find_letters({n: p for n, p in columns.items() if n not in personal}, taken, kinds):
        if one.target not in found:
            # a guess, however well other columns bear it out
            found[one.target] = Found(one.target, one.column, _LEAST, one.why)
            fields.letters[one.target] = one.codes
    _people(columns, fields)
    return fields


def _shared(columns: Mapping[str, Profile], found: dict[str, Found]) -> None:
    """Find what one column of a limit says at once: ``soft high dose rate limit``."""
    of_limits = [target for target in _OF_LIMITS if target in found]
    for target in _OF_LIMITS:
        for other in of_limits:
            name = found[other].column
            texts = list(columns[name].counts)
            told = share_of_codes(target, texts)
            if target not in found and told >= 0.8:
                why = f"{told:.0%} of the values of this column of limits say it too"
                found[target] = Found(target, name, LIKELY, why)


def _people(columns: Mapping[str, Profile], fields: Fields) -> None:
    """Find the number of the patient and of the order: they become pseudonyms."""
    best: dict[str, Found] = {}
    for name, p in columns.items():
        if p.time is not None or p.ids < 0.9 or p.units > 0.5:
            continue
        if (
            name in fields.personal
            and max(p.says("name"), p.says("birth"), p.says("staff"), p.says("sex")) < 0.6
        ):
            score = max(0.95 * p.says("case"), min(p.says("patient"), max(p.says("number"), p.says("case"))))
            if p.says("patient") >= 0.95 and all(any(c.isdigit() for c in text) for text in p.counts):
                score = max(score, LIKELY)
            _keep(best, Found("patient_key", name, score, "its header speaks of a patient's number"))
        used = {told.column for told in fields.found.values()}
        ordered = min(p.says("order"), p.says("number")) >= 0.6
        if ordered and name not in fields.personal and name not in used:
            _keep(best, Found("order_key", name, 0.7, "its header speaks of an order's number"))
    for target, told in best.items():
        fields.found[target] = told
        fields.keyed.append(told.column)


def _keep(best: dict[str, Found], told: Found) -> None:
    if told.score >= 0.6 and (told.target not in best or told.score > best[told.target].score):
        best[told.target] = told
