"""Words of headers and labels: taken apart, folded, and compared with lists of general vocabulary."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any, Final

LANGUAGES: Final = ("en", "de", "fr", "es")
#: Words that only say that a thing has a number; too common to be cut out of longer ones.
_HUMP: Final = re.compile(r"(?<=[a-z0-9\xdf-\xff])(?=[A-Z\xc0-\xde])|(?<=[A-Z])(?=[A-Z][a-z])")
_WITH_CUT: Final = ("unit no", "unit nr", "no ordre", "no d ordre")
_PART: Final = re.compile(r"[a-z]+|[0-9]+")
_VOWELS: Final = frozenset("aeiou")
_SPELT_OUT: Final = {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "ø": "o", "æ": "ae", "œ": "oe"}


def fold(text: str) -> str:
    """Return a text in small letters without accents; ä, ö, ü and ß as two letters."""
    lowered = "".join(_SPELT_OUT.get(c, c) for c in unicodedata.normalize("NFC", text).lower())
    apart = unicodedata.normalize("NFKD", lowered)
    return "".join(c for c in apart if not unicodedata.combining(c))


def tokens(text: str) -> tuple[str, ...]:
    """Return the words of a header or label: ``PumpSerialNo_2`` gives pump, serial, no, 2."""
    return tuple(_PART.findall(fold(_HUMP.sub(" ", text))))


@dataclass(frozen=True, slots=True)
class Word:
    """One word of the lists: its folded text, what it stands for, its language ('' for cut forms)."""

    text: str
    concept: str
    language: str


@cache
def _data(name: str) -> dict[str, Any]:
    text = files("dripledger.drafting").joinpath(name).read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def words() -> tuple[Word, ...]:
    """Return the words of headers."""
    found = [
        Word(fold(text), concept, language)
        for concept, by_language in _data("words.toml")["concepts"].items()
        for language in LANGUAGES
        for text in by_language[language]
    ]
    return tuple(found)


def value_stems(what: str) -> tuple[str, ...]:
    """Return stems of values of a kind: ``"area"`` or ``"drug"``."""
    return tuple(_data("words.toml")["values"][what]["stems"])


def label_rules() -> dict[str, Any]:
    """Return the stems and rules of labels."""
    return _data("labels.toml")


def code_rules() -> dict[str, Any]:
    """Return the rules of columns of codes."""
    return _data("codes.toml")


@lru_cache(maxsize=50_000)  # the words of a language's test and of the concepts are the same
def _likeness(token: str, word: str) -> float:
    """Return how surely one token of a header is a word or holds it, 0 to 1."""
    if token == word:
        return 1.0
    if len(word) >= 4:
        if token.startswith(word):
            # an inflected word, or a compound that begins with it
            return 0.95 if len(token) - len(word) <= 2 else 0.8
        if token.endswith(word):
            return 0.9
        if len(word) >= 5 and word in token:
            return 0.6
    if len(token) >= 3 and word.startswith(token):
        return 0.75 if len(token) >= 4 else 0.65
    if len(token) >= 3 and len(word) <= 12 and _skeleton(token, word):
        return 0.6
    near = len(token) >= 5 and len(word) >= 5 and abs(len(token) - len(word)) <= 2
    # the first letter is looked at first: to compare the rest takes long
    if near and token[0] == word[0] and SequenceMatcher(None, token, word, autojunk=False).ratio() >= 0.82:
        return 0.65
    return 0.0


def _skeleton(token: str, word: str) -> bool:
    """Whether a token is a word without (some of) its vowels, cut or not: ``wght``, ``nbr``, ``msg``."""
    if token[0] != word[0] or any(c in _VOWELS for c in token[1:]):
        return False
    rest = iter(word[1:])
    if not all(any(c == other for other in rest) for c in token[1:]):
        return False
    consonants = sum(c not in _VOWELS for c in word[1:]) + 1
    return len(token) >= 0.6 * consonants


def _in_tokens(parts: tuple[str, ...], word: str) -> float:
    pieces = word.split()
    if len(pieces) == 1:
        return max((_likeness(part, word) for part in parts), default=0.0)
    for at in range(len(parts) - len(pieces) + 1):
        each = [_likeness(p, w) for p, w in zip(parts[at : at + len(pieces)], pieces, strict=True)]
        if min(each) >= 0.6:
            return min(each)
    return 0.85 if "".join(pieces) in "".join(parts) else 0.0


@cache
def concepts_of(header: str) -> dict[str, float]:
    """Return what a header speaks of: concept -> how surely, 0 to 1; only what is above nothing."""
    parts = tokens(header)
    found: dict[str, float] = {}
    known = _data("words.toml")["short"]
    for concept, forms in known.items():
        if any(form in parts for form in forms):
            found[concept] = 0.85
    short = {form for forms in known.values() for form in forms}
    # what is known as a cut form is not taken for a piece of something else
    whole = parts
    parts = tuple(part for part in parts if part not in short or any(part == w.text for w in words()))
    for word in words():
        # several words are found with their cut forms among them: "unit no"
        score = _in_tokens(whole if word.text in _WITH_CUT else parts, word.text)
        if score > found.get(word.concept, 0.0):
            found[word.concept] = score
    return found


@cache
def _languages(header: str) -> dict[str, float]:
    """Return the languages that a header can be of, each with the likeness of its likest word."""
    parts = tokens(header)
    best: dict[str, float] = {}
    for word in words():
        likeness = _in_tokens(parts, word.text)
        if likeness >= 0.75:
            best[word.language] = max(best.get(word.language, 0.0), likeness)
    return best


def language_of(headers: list[str]) -> str:
    """Return the language that most of the headers' words belong to; English where nothing tells."""
    score = dict.fromkeys(LANGUAGES, 0.0)
    for header in headers:
        best = _languages(header)
        # a word of several languages tells less of each
        for language, likeness in best.items():
            score[language] += likeness / len(best)
    return max(LANGUAGES, key=lambda language: (score[language], -LANGUAGES.index(language)))


def stem_share(texts: list[str], stems: tuple[str, ...]) -> float:
    """Return the share of texts in which some word begins with one of the stems."""
    if not texts:
        return 0.0
    told = sum(any(part.startswith(stems) for part in tokens(text)) for text in texts)
    return told / len(texts)
