"""Limit alerts of the whole facility: how often they warn, what was overridden, and what no figure counts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from dripledger.measures.limit_definitions import FAR_TIMES
from dripledger.reports import words
from dripledger.reports.blocks import Block, Cell, Heading, Pairs, Text
from dripledger.reports.cards import title_of
from dripledger.reports.figure_tables import by_part, left_out
from dripledger.reports.material import Material

_PHASES: Final = (("Start", "start"), ("Change", "change"), ("Bolus", "bolus"))
_TOTALS: Final = (
    "soft_alerts_per_100_infusions",
    "hard_alerts_per_100_infusions",
    "infusion_override_share",
    "override_repeat_share",
    "override_under_3s_share",
    "far_overrides",
    *(f"far_overrides_{times}x" for times in FAR_TIMES[1:]),
)
_APART: Final = {
    "attempts_maintenance": ("attempts in maintenance", "in no figure of limit alerts"),
    "attempts_training": ("attempts in training", "in no figure of limit alerts"),
}


def limit_blocks(material: Material) -> list[Block]:
    """Return what belongs below the entries with limit alerts: figures of the whole facility."""
    phases = [(label, (f"soft_alert_share_{phase}", f"hard_alert_share_{phase}")) for label, phase in _PHASES]
    return [
        Heading("Limit alerts by what was being programmed", "phases"),
        by_part(material, "At a", ("With a soft limit alert", "With a hard limit alert"), phases),
        Heading("Limit alerts of the whole facility", "facility"),
        by_part(material, "What", ("Figure",), [(_title(name), (name,)) for name in _TOTALS]),
        *left_out(material, ["soft_alert_share", *_TOTALS]),
        *apart(material, _APART),
    ]


def _title(name: str) -> str:
    """Return the title of a line; the whole of a measure in parts says from where on it counts."""
    return f"{title_of(name)}: {FAR_TIMES[0]} times or more" if name == "far_overrides" else title_of(name)


def apart(material: Material, known: Mapping[str, tuple[str, str]]) -> list[Block]:
    """Say what no rate counts, out of `warnings_apart`."""
    found = dict(
        material.con.execute(
            "select what, amount from warnings_apart where month = ?", [str(material.month)]
        ).fetchall()
    )
    items = tuple(
        (Cell(f"{words.whole(found[what])} {title}"), detail)
        for what, (title, detail) in known.items()
        if what in found
    )
    return [Text("Counted apart:"), Pairs(items)] if items else []
