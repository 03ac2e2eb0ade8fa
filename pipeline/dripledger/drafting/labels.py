"""What a label says, where its words say it clearly: kind of event, kind of alarm."""

from __future__ import annotations

from functools import cache

from dripledger.drafting.codes import code_of
from dripledger.drafting.words import label_rules, tokens

#: A rule's own name for records that carry no event.
HEARTBEAT = "heartbeat"


def _holds(parts: tuple[str, ...], group: str) -> bool:
    stems = label_rules()["stems"]
    return any(_fits(part, stem) for name in group.split() for stem in stems[name] for part in parts)


def _fits(part: str, stem: str) -> bool:
    if stem.startswith("*"):
        return stem[1:] in part
    if len(stem) <= 3:
        # a short stem would begin too many words
        return part == stem
    return part.startswith(stem) or (len(part) > len(stem) + 2 and part.endswith(stem))


def _first(rules: str, label: str) -> str | None:
    parts = tokens(label)
    for rule in label_rules()[rules]:
        if all(_holds(parts, group) for group in rule["all"]) and not any(
            _holds(parts, group) for group in rule.get("none", ())
        ):
            if rule.get("whole") and not all(_is_known(part) for part in parts):
                continue
            return str(rule["kind"])
    return None


def _is_known(part: str) -> bool:
    """Whether a word is one of the vocabulary; a short one or a number tells nothing and is let pass."""
    stems = label_rules()["stems"]
    return len(part) <= 1 or part.isdigit() or any(_fits(part, s) for group in stems.values() for s in group)


@cache
def kind_of(label: str) -> str | None:
    """Return the kind of event that a label clearly names, `HEARTBEAT`, or None."""
    if _holds(tokens(label), "denied"):
        # an override that was refused is none, and neither is an alarm that was not cleared
        return None
    return _first("kinds", label)


@cache
def alarm_of(label: str) -> str | None:
    """Return the kind of alarm that a label clearly names, or None."""
    return _first("alarms", label)


def limit_parts(label: str) -> dict[str, str]:
    """Return which limit a label speaks of: `limit_kind` and `limit_side`, where it says so."""
    parts = tokens(label)
    found = {}
    for value in ("soft", "hard"):
        if _holds(parts, value):
            found["limit_kind"] = value
    side = code_of("limit_side", label)
    if side is not None:
        found["limit_side"] = side
    return found


def known_share(texts: list[str]) -> float:
    """Return the share of labels whose words name a kind of event."""
    if not texts:
        return 0.0
    return sum(kind_of(text) is not None for text in texts) / len(texts)
