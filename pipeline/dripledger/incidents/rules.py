"""The rules of the findings, declared: one row a rule, beside its query ``sql/incidents/finding_NAME.sql``.

A *fact* is what the log says; a *suspicion* is what could lie behind it. Neither is a cause or a fault,
and each
stands with another explanation that is just as possible.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from dripledger.incidents import given as used
from dripledger.incidents.words import fold_text, number

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Rule:
    """One rule.

    Parameters
    ----------
    name
        Its name; its relation is ``finding_NAME``.
    title
        What it is called for people.
    word
        ``"fact"`` or ``"suspicion"``.
    says
        Makes the sentence of one row.
    alternative
        Another explanation, neutral.
    threshold
        What the rule rests on, in words; empty where it rests on none.
    sizes
        Lower bounds of the classes of `size` that count as *of the same size*; empty: size does not matter.
    """

    name: str
    title: str
    word: str
    says: Callable[[Row], str]
    alternative: str
    threshold: str = ""
    sizes: tuple[float, ...] = ()

    @property
    def relation(self) -> str:
        """The relation that holds its rows."""
        return f"finding_{self.name}"

    def size_class(self, size: float | None) -> int:
        """Return the number of the class that a size belongs to; 0 where size does not matter."""
        if size is None:
            return 0
        return sum(float(f"{size:.5e}") >= bound for bound in self.sizes)


def _values(row: Row) -> str:
    return f"from {number(row['before_value'])} to {number(row['after_value'])} {row['unit']}"


def _step(row: Row) -> str:
    fold = fold_text(row["before_value"], row["after_value"])
    what = "rate" if row["unit"] == "mL/h" else "dose"
    return f"The running {what} went {_values(row)}" + (f": {fold}." if fold else ".")


def _entered(row: Row) -> str:
    unit = row["unit"] or ""
    first = f"{number(row['before_value'])} {unit}".strip()
    if row["after_value"] is not None:
        then = f"{number(row['after_value'])} {unit}".strip()
        told = f"First entered was {first}, then {then} was confirmed"
    else:
        told = f"Entered was {first}, nothing was confirmed, and the comparison is the running value"
    outcome = str(row["detail"]).replace("_", " ")
    return f"{told}: {number(row['size'])} times between them. Outcome of the attempt: {outcome}."


def _past(row: Row) -> str:
    size = "" if row["size"] is None else f", {number(row['size'])} times the limit"
    unit = "" if row["unit"] is None else f" {row['unit']}"
    value = "a value that the log does not name" if row["after_value"] is None else (
        f"{number(row['after_value'])}{unit}"
    )  # fmt: skip
    limit = "" if row["before_value"] is None else f" of {number(row['before_value'])}{unit}"
    kind = str(row["detail"]).replace("_", " ")
    return f"{value[:1].upper()}{value[1:]} was confirmed past the {kind} limit{limit}{size}."


def _outside(row: Row) -> str:
    if row["entry"]:
        drug = f"Its own records name {row['entry']}"
    else:
        drug = f"What ran before it, or an order, names {row['detail']}" if row["detail"] else "Drug unknown"
    volume = (
        "" if row["after_value"] is None else f" {number(row['after_value'])} mL ran outside the library."
    )
    return f"The infusion ran outside the drug library.{volume} {drug}."


def _weight(row: Row) -> str:
    return f"The weight went {_values(row)} with no patient change between."


def _pounds(row: Row) -> str:
    if row["detail"] == "past the limit":
        kg = number(row["before_value"])
        return (
            f"A weight of {number(row['after_value'])} kg was entered, past the limit; read as pounds it "
            f"would be {kg} kg, inside it."
        )
    return f"The weight went {_values(row)}: 2.2 times, as between pounds and kilograms."


def _misfit(row: Row) -> str:
    if row["detail"] == "volume":
        return (
            f"Rate x time gives {number(row['after_value'])} mL, and the volume to infuse is "
            f"{number(row['before_value'])} mL."
        )
    return (
        f"Dose, weight and concentration give {number(row['after_value'])} mL/h, and the rate is "
        f"{number(row['before_value'])} mL/h."
    )


def _clock(row: Row) -> str:
    if row["detail"] == "set":
        return "The pump's clock was set here; times before it may not be comparable with times after it."
    return f"The pump's clock stepped back by {number(row['size'])} s against the record before it."


def _missing(row: Row) -> str:
    first, last = int(row["before_value"]) + 1, int(row["after_value"]) - 1
    missing, perhaps = int(row["size"]), int(row["perhaps"])
    unread = "" if row["detail"] == "0" else f"; {row['detail']} more came, and cannot be read"
    some = f"Of the pump's numbers {first} to {last}, {missing}"
    if first == last:
        some = f"The pump's number {first}"
    if not perhaps:
        return f"{some} never reached us{unread}."
    one = "it" if missing == 1 else f"{perhaps} of them"
    where = "the record that waits" if perhaps == 1 else f"the {perhaps} records that wait"
    whose = "its" if first == last else "their"
    rest = "" if missing == perhaps else f", and {missing - perhaps} never reached us"
    return (
        f"{some} {'is' if missing == 1 else 'are'} in no record that could be read; {one} may be in {where} "
        f"unread between {whose} neighbours in the file{rest}{unread}."
    )


def _stale(row: Row) -> str:
    return (
        f"The infusion started on library version {row['detail']} had been available for "
        f"{number(round(row['size'], 1))} days."
    )


def _unanswered(row: Row) -> str:
    kind, _, never = str(row["detail"]).partition(", ")
    told = f"The alarm ({kind.replace('_', ' ')}) stood for {number(round(row['size'], 1))} min"
    return (
        f"{told}; it was {never}, as far as was logged."
        if never
        else f"{told} before it was silenced or cleared."
    )


def _volume(row: Row) -> str:
    return (
        f"Rate x time gives {number(row['before_value'])} mL, and the pump's own total "
        f"{number(row['after_value'])} mL."
    )


def _implausible(row: Row) -> str:
    return f"A weight of {number(row['after_value'])} kg was logged."


def _carried(row: Row) -> str:
    weight = number(row["after_value"])
    return f"An infusion by weight ran at {weight} kg, the weight entered before the patient change."


def _two(row: Row) -> str:
    return f"The same entry ran on two channels for {number(round(row['size'], 1))} min together."


def _after_alarm(row: Row) -> str:
    kind = str(row["detail"]).replace("_", " ")
    return f"Delivery began {number(row['size'])} s after the alarm ({kind}) was cleared."


_DIGIT: Final = (1.0, 2.0, 5.0, 8.0, 12.5, 80.0, 125.0)
#: Every rule, declared once.
_DECLARED: Final = (
    Rule(
        "rate_step",
        "Fivefold or tenfold change of the rate or dose",
        "fact",
        _step,
        (
            "The change may have been meant: a loading rate, a bolus given by rate, a flush, "
            "or a step back from one."
        ),
        threshold=f"a factor of {used.STEP_FACTOR:g} or more",
        sizes=_DIGIT,
    ),
    Rule(
        "entered_step",
        "Fivefold or tenfold between what was entered and what was confirmed",
        "suspicion",
        _entered,
        (
            "The first value may have been typed to see what the pump allows, or for another "
            "concentration or unit."
        ),
        threshold=f"a factor of {used.STEP_FACTOR:g} or more",
        sizes=_DIGIT,
    ),
    Rule(
        "past_limit",
        "A value past a limit, and confirmed",
        "fact",
        _past,
        ("The limit may have been set too tight for this patient, and the value meant and right."),
        sizes=(1.0, 2.0, 5.0, 10.0),
    ),
    Rule(
        "outside_library",
        "Run outside the library",
        "fact",
        _outside,
        (
            "The library may hold no entry for what had to be given, or the care area in "
            "force may not have had it."
        ),
    ),
    Rule(
        "weight_changed",
        "Weight changed",
        "fact",
        _weight,
        "The patient may have been weighed anew, or a first guess was put right.",
        sizes=(1.0, 1.1, 2.0, 5.0),
    ),
    Rule(
        "weight_implausible",
        "Weight that cannot be",
        "fact",
        _implausible,
        ("The log may write another unit than its mapping says, or the entry may never have been used."),
    ),
    Rule(
        "weight_in_pounds",
        "Pounds for kilograms",
        "suspicion",
        _pounds,
        "The weight may be right, and the limit too tight or the other weight wrong.",
    ),
    Rule(
        "weight_carried",
        "Weight carried across a patient change",
        "suspicion",
        _carried,
        ("Both patients may weigh the same, or the patient change may have been a correction of a name."),
    ),
    Rule(
        "programme_misfit",
        "Programmed values that do not fit together",
        "suspicion",
        _misfit,
        (
            "The pump may round, the log may keep an older value beside a newer one, or the "
            "weight or concentration may have been changed where the log does not show it."
        ),
        threshold=f"more than {100 * used.MISFIT_SHARE:g} % apart",
    ),
    Rule(
        "two_channels",
        "One entry on two channels at once",
        "suspicion",
        _two,
        "Two lines, or two concentrations beside each other, may have been meant.",
        threshold=f"more than {used.TWO_CHANNELS_MIN:g} min; a shorter overlap is a relay",
    ),
    Rule(
        "start_after_alarm",
        "Delivery within seconds of an alarm being cleared",
        "suspicion",
        _after_alarm,
        (
            "The cause may have been removed first; the log does not show the line. After an "
            "occlusion a stored bolus may or may not have been released."
        ),
        threshold=f"within {used.SOON_AFTER_CLEAR_S:g} s",
    ),
    Rule(
        "alarm_unanswered",
        "Alarm long unanswered",
        "fact",
        _unanswered,
        ("It may have been answered at the bedside without a key being pressed, or been inaudible there."),
        threshold="longer than the site's long_stop_s",
        sizes=(0.0, 30.0, 120.0),
    ),
    Rule(
        "stale_library",
        "Library out of date",
        "fact",
        _stale,
        (
            "The pump may have been out of reach of the network, or the release may not have "
            "been meant for it."
        ),
        threshold="longer than the site's stale_library_days",
    ),
    Rule(
        "clock_set",
        "Clock set, or stepped back",
        "fact",
        _clock,
        "Setting a clock is ordinary upkeep; the clocks also go back in autumn.",
    ),
    Rule(
        "log_missing",
        "Numbers missing from the log",
        "fact",
        _missing,
        "The records may exist on the pump or in an export that was not read.",
    ),
    Rule(
        "volume_differs",
        "Rate x time against the pump's own total",
        "fact",
        _volume,
        (
            "Counter and rate may count different things (priming, keep-open, a bolus), or a "
            "record between is missing."
        ),
        threshold=f"more than {100 * used.VOLUME_SHARE:g} % and {used.VOLUME_FLOOR_ML:g} mL",
    ),
)
#: name -> Rule
RULES: Final[dict[str, Rule]] = {rule.name: rule for rule in _DECLARED}

if any(rule.word not in ("fact", "suspicion") for rule in RULES.values()):
    raise ValueError("a finding is a fact or a suspicion")
