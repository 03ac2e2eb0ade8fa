"""What the rules find in a case, each with its evidence and another explanation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import duckdb

from dripledger.dosing import Amount, dose_of_rate
from dripledger.errors import DripledgerError
from dripledger.incidents.case import Case
from dripledger.incidents.limits import limits_for, limits_text, unit_of
from dripledger.incidents.rows import Row, fetch
from dripledger.incidents.rules import RULES, Rule
from dripledger.incidents.words import number


@dataclass(frozen=True)
class Finding:
    """One finding.

    Parameters
    ----------
    name
        ``rule:event``; what ``--similar`` takes.
    rule, title, word, threshold
        See `rules.Rule`.
    at, until_at
        From when to when, UTC.
    channel, entry, care_area
        Where.
    what
        What was found, in a sentence.
    alternative
        Another explanation.
    size
        How large it is, in the rule's own measure.
    evidence
        Ids of the events that say so.
    """

    name: str
    rule: str
    title: str
    word: str
    threshold: str
    at: datetime
    until_at: datetime
    channel: str
    entry: str | None
    care_area: str | None
    what: str
    alternative: str
    size: float | None
    evidence: tuple[str, ...]


def name_of(rule: Rule, row: Row) -> str:
    """Return the name of a finding: its rule and the last event of its evidence that tells it from others."""
    anchor = row["evidence"][-1] if rule.name not in ("past_limit", "entered_step") else row["evidence"][0]
    return f"{rule.name}:{anchor}"


def find(con: duckdb.DuckDBPyConnection, case: Case) -> list[Finding]:
    """Return the findings of a case, in order of time.

    Parameters
    ----------
    con
        The connection in which `open_case` made the relations of the rules.
    case
        The case.
    """
    found = []
    for rule in RULES.values():
        rows = fetch(con, f"select f.* from {rule.relation} as f order by f.at, f.channel, f.evidence")
        for row in rows:
            if not case.inside(row["at"], row["until_at"]):
                continue
            if case.channel is not None and row["channel"] not in ("", case.channel):
                continue
            found.append(_finding(rule, row, case))
    distinct = {(f.name, f.at, f.channel): f for f in found}
    return sorted(distinct.values(), key=lambda f: (f.at, f.rule, f.channel, f.name))


def _finding(rule: Rule, row: Row, case: Case) -> Finding:
    what = rule.says(row)
    if rule.name == "outside_library" and row["detail"]:
        what += " " + _would_have_applied(row, case)
    return Finding(
        name_of(rule, row), rule.name, rule.title, rule.word, rule.threshold, row["at"], row["until_at"],
        str(row["channel"]),
        row["entry"] or (row["detail"] if rule.name == "outside_library" else None) or None,
        row["care_area"], what.strip(), rule.alternative, row["size"],
        tuple(str(e) for e in row["evidence"] if e is not None),
    )  # fmt: skip


def _would_have_applied(row: Row, case: Case) -> str:
    """Say which limit would have applied outside the library, where something else names the drug."""
    own = [s for s in case.segments if s["infusion_id"] == row["infusion_id"] and s["rate_ml_h"]]
    before = [
        s for s in case.segments
        if s["entry"] == row["detail"] and s["channel"] == row["channel"] and s["ended_at"] <= row["at"]
    ]  # fmt: skip
    if not own or not before:
        return "Which limit would have applied cannot be said."
    last = before[-1]
    limits = limits_for({**last, "weight_kg": own[0]["weight_kg"] or last["weight_kg"]}, case.libraries)
    if not limits:
        return "No library file of that version tells which limit would have applied."
    told = limits_text(limits)
    if not told:
        return "The library set no limit for that drug there."
    top = max(float(s["rate_ml_h"]) for s in own)
    return (
        f"The limit that would have applied, if it was that drug at the same concentration: "
        f"{told}. " + _against(top, last, own[0], limits)
    ).strip()


def _against(rate: float, last: Row, own: Row, limits: Sequence[Row]) -> str:
    """Compare the highest rate with the limits, in their own unit."""
    for row in limits:
        if row["hard_high"] is None and row["soft_high"] is None:
            continue
        unit = unit_of(row)
        try:
            if unit == "mL/h":
                value = rate
            elif str(row["limit_quantity"]) in ("dose_rate", "dose") and last["concentration_value"]:
                strength = Amount(last["concentration_value"], last["concentration_unit"])
                value = dose_of_rate(
                    rate, strength, unit, weight_kg=own["weight_kg"] or last["weight_kg"]
                ).value
            else:
                continue
        except DripledgerError:
            continue
        beyond = [
            f"{kind} high limit" for kind in ("hard", "soft") if row[f"{kind}_high"] is not None
            and float(f"{value:.5e}") > float(f"{row[f'{kind}_high']:.5e}")
        ]  # fmt: skip
        told = f"past the {beyond[0]}" if beyond else "not past a high limit"
        return f"The highest rate, {number(rate)} mL/h, is {number(value)} {unit} then: {told}."
    return ""
