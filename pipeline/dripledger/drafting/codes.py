"""Columns of codes: which of the few values that a column can hold the words of a log clearly say."""

from __future__ import annotations

from functools import cache
from typing import Final

from dripledger.drafting.words import code_rules, tokens

#: Columns whose values a draft can file.
CODED: Final = ("library_use", "limit_kind", "limit_side", "limit_quantity", "decision_logged")


@cache
def code_of(column: str, text: str) -> str | None:
    """Return the code of a column that a value clearly says, or None.

    Parameters
    ----------
    column
        One of `CODED`.
    text
        The value as it was logged.
    """
    parts = tokens(text)
    found = {
        str(rule["value"])
        for rule in code_rules()[column]["rules"]
        if all(_any(parts, group) for group in rule["all"]) and not _any(parts, rule.get("none", ()))
    }
    return found.pop() if len(found) == 1 else None


def share_of_codes(column: str, texts: list[str]) -> float:
    """Return the share of values that clearly say a code of the column."""
    return sum(code_of(column, text) is not None for text in texts) / max(len(texts), 1)


def share_of_words(column: str, texts: list[str]) -> float:
    """Return the share of values that say a code of the column, or hold a word that belongs there."""
    hints = code_rules()[column]["hints"]
    told = sum(code_of(column, text) is not None or _any(tokens(text), hints) for text in texts)
    return told / max(len(texts), 1)


def codes_in(column: str, texts: list[str]) -> set[str]:
    """Return the codes of a column that values clearly say."""
    return {code for text in texts if (code := code_of(column, text)) is not None}


def _any(parts: tuple[str, ...], stems: list[str] | tuple[str, ...]) -> bool:
    return any(_fits(part, stem) for part in parts for stem in stems)


def _fits(part: str, stem: str) -> bool:
    if stem.startswith("="):
        return part == stem[1:]
    if len(stem) <= 3:
        # a short stem would begin too many words
        return part == stem
    return part.startswith(stem) or (len(part) > len(stem) + 2 and part.endswith(stem))
