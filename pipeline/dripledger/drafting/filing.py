"""Labels: filed where a word clearly says so, else listed for a person; none that may name somebody."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from collections.abc import Mapping as Map
from dataclasses import dataclass, field
from typing import Any, Final

from dripledger.drafting import toml
from dripledger.drafting.codes import code_of
from dripledger.drafting.labels import (
    HEARTBEAT,
    alarm_of,
    kind_of,
    limit_parts,
)
from dripledger.drafting.profile import Profile
from dripledger.schema import EVENT_KINDS
from dripledger.schema.codes import UNMAPPED
from dripledger.schema.columns import COLUMNS
from dripledger.schema.units import normalise_unit

_MOST_LABELS: Final = 80
#: What a person decides who reads the table of a column of codes.
_DECIDES: Final = {
    "library_use": "which value means that limits applied",
    "limit_kind": "which limits can be confirmed past",
    "limit_side": "which value means a low limit, and which a high one",
    "limit_quantity": "what each value is a limit on",
    "decision_logged": "what each value says was done after the warning",
}
_DIGITS: Final = re.compile(r"\d{5,}|\d{1,2}[./-]\d{1,2}[./-]\d{2,4}")
_NAMED: Final = re.compile(
    r"[^\W\d_]{2,}, ?[^\W\d_]{2,}|\b(dr|prof|mr|mrs|ms|frau|herr|sr|sra|mme)\.? [^\W\d_]{2,}", re.IGNORECASE
)
_PLAIN_NAMES: Final = re.compile(r"[^\W\d_][^\W\d_'’-]+ [^\W\d_][^\W\d_'’-]+(?: [^\W\d_][^\W\d_'’-]+)?")


@dataclass
class Filing:
    """The tables of labels.

    Parameters
    ----------
    lines
        Their text.
    kinds
        Kinds that some label was filed as.
    assumed
        What a person has to decide.
    said
        Columns that the labels of every limit alert set.
    """

    lines: list[str] = field(default_factory=list)
    kinds: set[str] = field(default_factory=set)
    assumed: list[str] = field(default_factory=list)
    said: set[str] = field(default_factory=set)


def file_labels(
    kinds: Profile | None,
    alarms: Profile | None,
    codes: Map[str, Profile],
    letters: Map[str, Map[str, str]],
) -> Filing:
    """Return the tables of labels for the columns of kinds, alarms and codes (column -> profile).

    Of a column of letters `letters` says what each means (column -> letter -> code).
    """
    filing = Filing()
    sounding: list[str] = []
    if kinds is not None:
        sounding = _kinds(filing, kinds, alarms is None)
    labels = Counter(alarms.texts) if alarms is not None else Counter(sounding)
    if labels:
        _alarms(filing, labels)
    for column, told in codes.items():
        _codes(filing, column, told, letters.get(column, {}))
    return filing


def _shown(counts: Counter[str], filed: Any) -> tuple[list[tuple[str, int]], int, int]:
    """Return labels that may be printed, how many are withheld, how many are left out for their number."""
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    # a column in which many labels name an event holds labels; a text in it that reads like a name may be one
    of_labels = sum(filed(text) is not None for text, _ in ordered) >= 0.3 * len(ordered)
    shown = [
        (text, n) for text, n in ordered if filed(text) is not None or not _may_be_personal(text, of_labels)
    ]
    shown = [(text, n) for text, n in shown if not _DIGITS.search(text) and not _NAMED.search(text)]
    return shown[:_MOST_LABELS], len(ordered) - len(shown), max(0, len(shown) - _MOST_LABELS)


def _may_be_personal(text: str, of_labels: bool) -> bool:
    if _DIGITS.search(text) or _NAMED.search(text):
        return True
    return not of_labels and _PLAIN_NAMES.fullmatch(text) is not None


def _rest(lines: list[str], withheld: int, left_out: int) -> None:
    if withheld:
        lines += toml.comment(
            f"{withheld} further labels are not shown: they hold long numbers or may be names. "
            f"Free text is no "
            "label; see it in the export itself"
        )
    if left_out:
        lines += toml.comment(f"{left_out} further labels, rarer than these, are left out")


def _kinds(filing: Filing, kinds: Profile, with_alarms: bool) -> list[str]:
    shown, withheld, left_out = _shown(kinds.counts, kind_of)
    filing.lines += ["", "[kinds]"]
    unfiled, sounding = [], []
    told_of_limits: list[set[str]] = []
    for text, n in shown:
        kind = kind_of(text)
        seen = f"{n} of {len(kinds.texts)}"
        if kind is None:
            unfiled.append(f'# {toml.string(text)} = ""   # {seen}: to file')
            continue
        if kind == HEARTBEAT:
            filing.lines.append(toml.told(text, {"ignore": "sign of life, carries no event"}, seen))
            continue
        filing.kinds.add(kind)
        extra: dict[str, Any] = {}
        if kind in ("limit_alerted", "limit_overridden"):
            extra = limit_parts(text)
            told_of_limits.append(set(extra))
        if with_alarms and kind.startswith("alarm_") and (alarm_of(text) or kind == "alarm_raised"):
            extra = {"alarm_label": text}
            sounding.append(text)
        filing.lines.append(toml.told(text, {"kind": kind, "set": extra} if extra else kind, seen))
    if unfiled:
        filing.lines += toml.comment(
            "Still to file: what do these mean? A kind (README names all), or "
            '{ ignore = "why" }; left as they are, '
            "their records are kept as 'other' with the label:"
        )
        filing.lines += unfiled
    _rest(filing.lines, withheld, left_out)
    filing.said = set.intersection(*told_of_limits) if told_of_limits else set()
    if shown:
        filing.assumed.append("kinds: what each label means was told by its words alone; read the list")
    return sounding


def _alarms(filing: Filing, labels: Counter[str]) -> None:
    shown, withheld, left_out = _shown(labels, alarm_of)
    filing.lines += [
        "",
        "[alarms]",
        *toml.comment(
            "Add stops_delivery = true or false where the pump's manual says so; nothing here knows."
        ),
    ]
    unfiled = []
    for text, n in shown:
        kind = alarm_of(text)
        if kind is None:
            unfiled.append(f'# {toml.string(text)} = {{ kind = "" }}   # {n}: to file')
        else:
            filing.lines.append(toml.told(text, {"kind": kind}))
    filing.lines += unfiled
    _rest(filing.lines, withheld, left_out)


def _codes(filing: Filing, column: str, told: Profile, letters: Map[str, str]) -> None:
    """Write which value of a column of codes means what; nothing where the log writes our own words."""
    allowed = COLUMNS[column].allowed
    if set(told.counts) <= set(allowed):
        return

    def read(text: str) -> str | None:
        return letters.get(text) or code_of(column, text)

    shown, withheld, left_out = _shown(told.counts, read)
    filing.lines += ["", f"[values.{column}]"]
    choice = ", ".join(code for code in allowed if code != UNMAPPED)
    for text, n in shown:
        code = text if text in allowed else read(text)
        seen = f"{n} of {len(told.texts)}"
        if code is None:
            filing.lines.append(f'# {toml.string(text)} = ""   # {seen}: to file; one of {choice}')
        else:
            filing.lines.append(toml.told(text, code, seen))
    _rest(filing.lines, withheld, left_out)
    filing.assumed.append(f"values.{column}: {_DECIDES[column]}")


def unit_lines(columns: Iterable[Profile]) -> list[str]:
    """Return the table of units that nobody knows, for a person to say what they are."""
    counts: Counter[str] = Counter()
    for p in columns:
        counts.update({t: n for t, n in p.counts.items() if normalise_unit(t) is None})
    if not counts:
        return []
    shown, withheld, left_out = _shown(counts, normalise_unit)
    lines = [
        "",
        "[units]",
        *toml.comment("Spellings that are not known; until they are filed, their records wait:"),
    ]
    lines += [f'# {toml.string(text)} = ""   # {n}: a UCUM code, such as mL/h' for text, n in shown]
    _rest(lines, withheld, left_out)
    return lines


def records_of(kinds: set[str]) -> list[str]:
    """Return kinds in the order in which they are declared; ``other`` where there is none."""
    return [kind for kind in EVENT_KINDS if kind in kinds] or ["other"]
