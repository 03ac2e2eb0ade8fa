"""The draft for device messages: the standard maps them already; only the site's part is left."""

from __future__ import annotations

import re

from dripledger.drafting import toml
from dripledger.drafting.compose import pattern_of, source_name
from dripledger.drafting.sample import Head, Sample

#: What the open profiles have an event for.
_RECORDS = (
    "infusion_started", "infusion_stopped", "infusion_completed", "kvo_started", "patient_changed",
    "weight_changed", "totals_cleared", "clock_set", "alarm_raised", "alarm_updated", "alarm_silenced",
    "alarm_cleared",
)  # fmt: skip
_STAMP = re.compile(r"\|(\d{12,14}(?:\.\d+)?)([+-]\d{4})?(?=[|\r\n])")


def draft_messages(head: Head, sample: Sample) -> str:
    """Return the mapping of a file of device messages."""
    stamps = _STAMP.findall(head.text)
    offset = bool(stamps) and all(zone for _, zone in stamps)
    assumed = [
        "records: what these pumps send; the open profiles have no event for limit alerts, "
        "overrides and bypasses"
    ]
    if not offset:
        assumed.insert(
            0,
            "time.zone: not every time carries an offset; those without are taken to be of the "
            "zone in site.toml",
        )
    lines = toml.comment(
        "Drafted from the first messages. The fields of the open device profiles are mapped "
        "already; README says "
        "which. Take each sentence out of 'assumed' once you know; ingest refuses until it is empty."
    )
    lines += ["assumed = [", *(f"    {toml.string(text)}," for text in assumed), "]", ""]
    lines += [
        toml.told("name", source_name(head.path)),
        toml.told("pattern", [pattern_of(head.path)]),
        toml.told("shape", "hl7", sample.why),
        toml.told("canonical", True),
        f"records = {toml.array(list(_RECORDS))}",
    ]
    if head.encoding is not None:
        lines += ["", "[hl7]", toml.told("encoding", head.encoding)]
    lines += [
        "",
        "[time]",
        toml.told("zone", "in_text" if offset else "site"),
        "",
        "[fields]",
        toml.told("patient_key", {"field": "patient", "personal": "key"}),
        toml.told("order_key", {"field": "order_placer", "personal": "key"}),
        "",
        *toml.comment(
            "[alarms]: what an alarm does to the delivery stands in the device's manual; file it here."
        ),
        "",
    ]
    return "\n".join(lines)
