"""The fixed sentences of a report: cautions and words."""

from __future__ import annotations

from typing import Final

#: The first one also stands under the headline.
CAUTIONS: Final = (
    "For quality improvement. Not for decisions at the bedside: nothing here advises a dose, a rate or a "
    "setting.",
    "Limits are set by the organisation's pharmacists and licensed clinicians under its policy and local "
    "law. This report does not say what they should be.",
    "Figures are about systems, not about persons. They must not be used to rank, judge or single out "
    "staff; the ledger holds no staff identities, and pages and lists name a date and an eight-hour "
    "shift, never a clock time.",
    "Figures by care area say what was selected at the pump. A pump keeps that selection through transport, "
    "so the patient may have been elsewhere.",
    "Amounts and hours are what the pump did, not what reached the vein.",
    "Pump clocks drift. Times rest on the logs and on the corrections that the site has declared.",
    "The log cannot know whether harm was averted or money saved, and no figure here says so.",
    "This internal form holds pseudonyms (pumps, infusions). They may still be personal data: keep the "
    "folder to those who need it.",
)

#: What stands instead of the last one in the form for sharing.
SHARED_CAUTION: Final = (
    "This form hides small numbers, and what gives them back inside it. Laid beside other months or other "
    "reports it may tell more than it tells alone."
)

#: What the groups that are no care areas are.
NO_AREA_NOTES: Final = {
    "none selected": "None selected: no care area was chosen at the pump. A pump that offers care areas only "
    "inside the library has none outside it, so what ran outside gathers here, and the share under an entry "
    "is low or zero by the way it is counted. It tells nothing about a ward.",
    "unmapped": "Unmapped: the log names a care area that site.toml does not declare.",
}

GLOSSARY: Final = (
    ("library use", "what many call drug-library compliance"),
    ("under an entry", "started with an entry of the library, whether the entry carries limits or not"),
    ("bypass", "the pump runs at a plain rate; no drug-specific limit protects the patient"),
    ("library with limits", "dose error reduction system (DERS)"),
    ("hard limit, soft limit", "a soft limit warns and can be confirmed past; a hard limit cannot"),
    (
        "false start",
        "an infusion that ran for less than the time named above, or delivered nothing; counted apart",
    ),
    ("running hours", "time in which the pump was delivering: running or bolus, no keep-open, no pause"),
    ("volume to infuse", "VTBI"),
    ("keep-open", "keep vein open, KVO"),
    ("secondary", "piggyback"),
    ("quarantine", "records that cannot be read as events; they are kept, with every reason, and wait"),
)

#: Kinds of events that a measure asks for, as what a source does or does not record.
KIND_WORDS: Final = {
    "infusion_started": "starts",
    "rate_changed": "changes of rate",
    "limit_alerted": "limit alerts",
    "limit_overridden": "overrides",
    "alarm_raised": "alarms",
    "alarm_silenced": "the silencing of alarms",
    "alarm_cleared": "the clearing of alarms",
    "order_received": "orders",
    "powered_on": "switching on",
    "powered_off": "switching off",
}
