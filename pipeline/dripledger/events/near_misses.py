"""Labels that may be misspelt: unfiled ones close to a filed spelling, or to one another; a person decides.

Only the standard library: the labels of a hospital are some thousands at most, and what counts as close are
case, spaces, signs and one slip of the pen, for which `difflib` is enough; a faster library would be one more
dependency to keep.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from dripledger.lists import fold

#: How much of two labels has to agree, 0 to 1: one slip in seven letters. Common practice, no source.
CLOSE: Final = 0.87
_SHORTEST: Final = 5
_MOST_LABELS: Final = 3000


@dataclass(frozen=True, slots=True)
class NearMiss:
    """Two labels that may mean the same.

    Parameters
    ----------
    what
        ``"care_area"`` or ``"entry"``.
    label
        As it was logged; it stands so in the store whatever is decided.
    events
        Events that carry it.
    near
        The spelling that it is close to: declared, or logged more often.
    means
        The declared name that this spelling stands for; None: it was only logged.
    why
        What sets the two apart.
    """

    what: str
    label: str
    events: int
    near: str
    means: str | None
    why: str


def bare(text: str) -> str:
    """Return a label without case, accents, spaces, signs and leading zeros; 1.5 stays another than 15."""
    plain = unicodedata.normalize("NFKD", fold(text))
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    plain = re.sub(r"(?<!\d)(?<!\d[.,])0+(?=\d)", "", plain)
    return re.sub(r"(?<!\d)[.,]|[.,](?!\d)|[^\w.,]|_", "", plain)


def numbers(text: str) -> list[str]:
    """Return the numbers in a label: two that differ in one are two things, however alike."""
    return [n.lstrip("0") or "0" for n in re.findall(r"\d+(?:[.,]\d+)?", text)]


def near_misses(what: str, labels: Mapping[str, int], spellings: Mapping[str, str] | None) -> list[NearMiss]:
    """Find labels that may be misspelt.

    Parameters
    ----------
    what
        ``"care_area"`` or ``"entry"``.
    labels
        Label as logged -> events.
    spellings
        Folded spelling -> declared name; None where nothing is declared, so that labels are compared among
        themselves.

    Returns
    -------
    list of NearMiss
        By label; one each, the nearest.
    """
    ranked = sorted(labels, key=lambda label: (-labels[label], label))[:_MOST_LABELS]
    if spellings is not None:
        known = dict(spellings.items())
        unfiled = [label for label in ranked if fold(label) not in known]
        found = [_nearest(what, label, labels[label], known) for label in unfiled]
    else:
        # under no declaration, what differs in case and spaces only is two labels in every table
        found = []
        for place, label in enumerate(ranked):
            more = dict.fromkeys(ranked[:place])
            found.append(_nearest(what, label, labels[label], more))
    return sorted((m for m in found if m is not None), key=lambda m: m.label)


def _nearest(what: str, label: str, events: int, known: Mapping[str, str | None]) -> NearMiss | None:
    own, folded, own_numbers = bare(label), fold(label), numbers(label)
    best: tuple[float, str, str] | None = None
    for text in known:
        if text == label or numbers(text) != own_numbers:
            continue
        if fold(text) == folded:
            told = (3.0, "case or spaces")
        elif bare(text) == own and own:
            told = (2.0, "signs, spaces, accents or zeros")
        else:
            alike = _alike(own, bare(text))
            if alike < CLOSE:
                continue
            told = (alike, "a few letters")
        if best is None or told[0] > best[0]:
            best = (told[0], text, told[1])
    return None if best is None else NearMiss(what, label, events, best[1], known[best[1]], best[2])


def _alike(one: str, other: str) -> float:
    if min(len(one), len(other)) < _SHORTEST:
        return 0.0
    matcher = difflib.SequenceMatcher(None, one, other, autojunk=False)
    if matcher.real_quick_ratio() < CLOSE or matcher.quick_ratio() < CLOSE:
        return 0.0
    return matcher.ratio()
