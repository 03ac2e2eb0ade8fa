"""A whole trace as one frozen value, and as the JSON that everything else is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any, Final

from dripledger.incidents.amounts import Pumped
from dripledger.incidents.case import Window
from dripledger.incidents.doubts import Hole
from dripledger.incidents.findings import Finding
from dripledger.incidents.parts import AlarmSpan, Infusion, Stretch
from dripledger.incidents.timeline import Line

#: Number of the form of ``trace.json``.
FORMAT: Final = 1

CAUTIONS: Final = (
    "A reconstruction from logs, not a finding of cause or fault.",
    "Sequester the device and preserve its log by local policy; what is here is a copy.",
    "Reports to the manufacturer and the regulator go by local law.",
    "Amounts are what was pumped, not what reached the vein: priming, dead space, slack at a syringe's "
    "start, a bolus "
    "after an occlusion, a leak and free flow are outside the log.",
)


@dataclass(frozen=True)
class Stamp:
    """What a trace was made from: no wall-clock."""

    facility: str
    time_zone: str
    store_version: int
    committed_at: str
    chain_sha256: str
    code_version: str


@dataclass(frozen=True)
class Trace:
    """What one pump did in one window.

    Parameters
    ----------
    pump_id, channel
        The pump; the channel that was asked for, or None.
    window
        Asked and widened.
    at
        The moment that the second figure is drawn round; None: none was named.
    stamp
        What it was made from.
    clock, clock_s
        Doubt of the clock in sentences; by how many seconds the whole may be off, as far as anybody has said.
    clock_known
        Whether anybody has said how far the clock may be off.
    clock_caution
        The same as one sentence for every page.
    losses_unseen, loss_caution
        (source, events without a number that tells a loss, all events): where lost records leave no gap; the
        same as one sentence, '' where there is none.
    infusions, stretches, alarms, lines, holes, findings, pumped
        The parts.
    not_logged
        (source, kinds that its log cannot show).
    """

    pump_id: str
    channel: str | None
    window: Window
    at: datetime | None
    stamp: Stamp
    clock: list[str]
    clock_s: float
    clock_known: bool
    clock_caution: str
    losses_unseen: list[tuple[str, int, int]]
    loss_caution: str
    infusions: list[Infusion]
    stretches: list[Stretch]
    alarms: list[AlarmSpan]
    lines: list[Line]
    holes: list[Hole]
    findings: list[Finding]
    pumped: list[Pumped]
    not_logged: list[tuple[str, list[str]]]

    @property
    def cautions(self) -> list[str]:
        """What stands on every form of it: the general cautions, and its own."""
        return [*CAUTIONS, *self.own_cautions]

    @property
    def own_cautions(self) -> list[str]:
        """The cautions that hold for this pump's clock and log."""
        return [self.clock_caution, *([self.loss_caution] if self.loss_caution else [])]

    @property
    def is_empty(self) -> bool:
        """Whether the window holds nothing at all."""
        return not (self.lines or self.stretches)

    @property
    def channels(self) -> list[str]:
        """The channels that ran or logged something, sorted."""
        found = {s.channel for s in self.stretches} | {line.channel for line in self.lines if line.channel}
        return sorted(found)

    def as_json(self) -> dict[str, Any]:
        """Return plain values for JSON: instants as UTC text."""
        told = {f.name: _plain(getattr(self, f.name)) for f in fields(self)}
        return {
            "format": FORMAT, "kind": "trace", "cautions": self.cautions, **told,
        }  # fmt: skip


def _plain(value: Any) -> Any:
    from dripledger.incidents.moments import utc_text

    if isinstance(value, datetime):
        return utc_text(value)
    if hasattr(value, "__dataclass_fields__"):
        return _plain(asdict(value))
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value
