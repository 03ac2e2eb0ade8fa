"""Named checks: each is a row of data with a name, a class, a predicate and a sentence for people.

`unreadable`: the record cannot be read as events and waits in quarantine. `implausible`: readable, however
extreme; kept, flagged, never quarantined. Bounds are common practice, no source: they flag and judge nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal


@dataclass(frozen=True, slots=True)
class Check:
    """One check.

    Parameters
    ----------
    name
        Its name, as it stands in `reasons` and `implausible`.
    kind
        ``"unreadable"`` or ``"implausible"``.
    predicate
        SQL over the translated event; true where the check fails. Null fails nothing. None: found elsewhere
        (while splitting records, or when identities are compared).
    sentence
        What is wrong, for people.
    """

    name: str
    kind: Literal["unreadable", "implausible"]
    predicate: str | None
    sentence: str


def _bad(name: str, predicate: str | None, sentence: str) -> Check:
    return Check(name, "unreadable", predicate, sentence)


def _odd(name: str, predicate: str, sentence: str) -> Check:
    return Check(name, "implausible", predicate, sentence)


CHECKS: Final[tuple[Check, ...]] = (
    # records that cannot be split
    _bad("wrong_number_of_fields", None, "the record has more or fewer values than the header has columns"),
    _bad(
        "quote_never_closes",
        None,
        "a quote opens and does not close within 1 MiB, or text follows a closed quote",
    ),
    _bad("value_too_long", None, "a value is longer than 1 MiB"),
    _bad("not_json", None, "the record is not valid JSON"),
    _bad("not_an_object", None, "the record is valid JSON, but no object"),
    _bad("not_xml", None, "the element is not well-formed XML, or never closes"),
    _bad("line_too_short", None, "the line ends before its last column: was it cut?"),
    _bad("cut_inside_character", None, "the file ends inside a character: it was cut off"),
    _bad("not_a_message", None, "the text belongs to no message, or the message is over 16 MiB long"),
    _bad("separators_unreadable", None, "the message header declares no separators that can be told apart"),
    _bad("several_events", None, "one message holds several events, where the profile allows one"),
    _bad("event_missing", None, "the message is of a kind that tells an event, and tells none: was it cut?"),
    # events that cannot be read
    _bad("no_pump", "pump_id is null and not no_event", "no pump is named"),
    _bad("no_time", "time_text is null and not no_event", "there is no time"),
    _bad(
        "time_format",
        "time_text is not null and device_time is null",
        "the time does not have the format that the mapping declares",
    ),
    _bad(
        "time_without_zone",
        "device_time is not null and not placed",
        "the mapping says that each time carries its offset, and this one has none",
    ),
    _bad(
        "time_out_of_range",
        "device_time < timestamp '1900-01-01' or device_time >= timestamp '2301-01-01'",
        "the time lies outside the years 1900 to 2300",
    ),
    _bad(
        "received_time_format",
        "received_text is not null and received_at is null",
        "the time of receipt does not have the format that the mapping declares",
    ),
    _bad(
        "received_out_of_range",
        "received_at < timestamptz '1900-01-01 00:00:00+00' or received_at >= timestamptz '2301-01-01 "
        "00:00:00+00'",
        "the time of receipt lies outside the years 1900 to 2300",
    ),
    _bad("not_a_number", "bad_number", "a value that has to be a number is none"),
    _bad("sequence_not_whole", "bad_sequence", "the sequence number is no whole number"),
    _bad("unknown_unit", "bad_unit", "the unit is not known, or measures something else"),
    _bad("no_unit", "missing_unit", "there is a value, and its unit is missing"),
    _bad("size_out_of_range", "huge_number", "a number is larger than can be computed with (over 1e12)"),
    _bad("expression_failed", "expression_failed", "an expression of the mapping fails on this record"),
    _bad("no_event", "no_event", "nothing in the record is an event by the mapping"),
    # identities
    _bad(
        "conflicts_with_kept",
        None,
        "an event with the same identity and other values is in the ledger already",
    ),
    _bad(
        "conflicts_in_ingest",
        None,
        "two records of this ingest have the same identity and different values, and nothing says which "
        "counts",
    ),
    # readable, however extreme
    _odd("weight_over_500_kg", "weight_kg > 500", "patient weight over 500 kg"),
    _odd("weight_under_0_2_kg", "weight_kg < 0.2", "patient weight under 0.2 kg"),
    _odd("body_surface_odd", "bsa_m2 <= 0 or bsa_m2 > 4", "body surface area not between 0 and 4 m2"),
    _odd("rate_over_2000_ml_h", "rate_ml_h > 2000 or previous_rate_ml_h > 2000", "rate over 2000 mL/h"),
    _odd("rate_negative", "rate_ml_h < 0 or previous_rate_ml_h < 0", "negative rate"),
    _odd(
        "dose_negative", "dose_value < 0 or previous_dose_value < 0 or bolus_dose_value < 0", "negative dose"
    ),
    _odd("concentration_not_positive", "concentration_value <= 0", "concentration of zero or less"),
    _odd(
        "volume_to_infuse_odd",
        "volume_to_infuse_ml < 0 or volume_to_infuse_ml > 20000",
        "volume to infuse negative or over 20 L",
    ),
    _odd(
        "volume_delivered_odd",
        "volume_delivered_ml < 0 or volume_delivered_ml > 1000000",
        "reported volume negative or over 1000 L",
    ),
    _odd(
        "duration_odd",
        "programmed_duration_s < 0 or programmed_duration_s > 31536000",
        "programmed time negative or over a year",
    ),
    _odd("syringe_odd", "syringe_size_ml <= 0 or syringe_size_ml > 200", "syringe of no size or over 200 mL"),
    _odd(
        "far_from_limit",
        "(limit_value > 0 and entered_value > 0) and "
        "(entered_value >= 100 * limit_value or limit_value >= 100 * entered_value)",
        "entered value and limit differ a hundredfold or more",
    ),
    _odd(
        "rate_hundredfold",
        "rate_ml_h > 0 and previous_rate_ml_h > 0 and "
        "(rate_ml_h >= 100 * previous_rate_ml_h or previous_rate_ml_h >= 100 * rate_ml_h)",
        "the rate changed a hundredfold or more at once",
    ),
    _odd(
        "received_before_event",
        "epoch_us(received_at) < epoch_us(instant) - 86400000000",
        "received more than a day before it happened by the pump's clock",
    ),
    _odd(
        "received_long_after_event",
        "epoch_us(received_at) > epoch_us(instant) + 400 * 86400000000",
        "received more than 400 days after it happened by the pump's clock",
    ),
    _odd(
        "clock_at_its_origin",
        "device_time < timestamp '1980-01-02'",
        "the pump's clock may never have been set",
    ),
)

UNREADABLE: Final = tuple(c for c in CHECKS if c.kind == "unreadable")
IMPLAUSIBLE: Final = tuple(c for c in CHECKS if c.kind == "implausible")
SENTENCES: Final = {c.name: c.sentence for c in CHECKS}


def any_of(kind: Literal["unreadable", "implausible"]) -> str:
    """Return SQL that is true where at least one check of that class fails, else false."""
    failing = " or ".join(f"({c.predicate})" for c in CHECKS if c.kind == kind and c.predicate is not None)
    return f"coalesce({failing}, false)"


def names_of(kind: Literal["unreadable", "implausible"]) -> str:
    """Return SQL of the list of names of the checks that fail, in the order declared."""
    items = ", ".join(
        f"case when {c.predicate} then '{c.name}' end"
        for c in CHECKS
        if c.kind == kind and c.predicate is not None
    )
    return f"list_filter([{items}], lambda name: name is not null)"
