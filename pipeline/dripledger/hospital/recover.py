"""What a damaged log can still show: a walk through one pump's readable records, one at a time.

This is deliberately slow and plain, and knows nothing of the product's queries: it is the second opinion that
the demo's measures are held against. It walks only stretches that damage touched; everywhere else what
happened is what the log shows. Where the rules leave a planted case open it refuses to guess.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from dripledger.hospital import records as r

WINDOW_AFTER_STOP_S = 900
WINDOW_AFTER_PAUSE_S = 3600
FALSE_START_US = 30_000_000
_US = 1_000_000
#: What says nothing about whether a channel runs.
_NO_PROOF = frozenset((
    r.OTHER, r.VOLUME, r.KEEP_OPEN, r.ALERT, r.OVERRIDE, r.WITHIN, r.CANCEL, r.ALARM_UPDATE, r.SILENCE,
    r.CLEAR,
))  # fmt: skip

#: Care area as heard: an index, or one of these.
NO_AREA, UNMAPPED = -1, -2


class UnclearCaseError(Exception):
    """A planted case that the rules do not decide: a defect of the scenario."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One readable event; None: not logged. Rates in 0.01 mL/h, volumes in 0.01 mL, times in seconds."""

    at: int
    kind: int
    channel: int
    session: int
    gap: bool
    ambiguous: bool
    area: int | None = None
    patient: int | None = None
    library: int | None = None
    use: int | None = None
    entry: int | None = None
    strength: int | None = None
    rate: int | None = None
    to_infuse: int | None = None
    volume: int | None = None
    stops: bool = False  # an alarm that stops the delivery


@dataclass(frozen=True, slots=True)
class Programmed:
    """One confirmed programme; `new_rate`: a running infusion went from one rate to another."""

    at: int
    area: int
    session: int
    use: int | None
    is_start: bool
    new_rate: bool


@dataclass(slots=True)
class Found:
    """One infusion as rebuilt; `pieces` are running stretches (from, to in microseconds, care area)."""

    at: int
    area: int
    session: int
    use: int | None
    entry: int | None
    strength: int | None
    library: int | None
    counted: bool
    pieces: list[tuple[int, int, int]] = field(default_factory=list)
    uncertain: bool = False
    end_unclear: bool = False
    open: bool = False

    @property
    def doubtful(self) -> bool:
        """Whether anything about it is in doubt, the time of its end included."""
        return self.uncertain or self.end_unclear

    @property
    def running_us(self) -> int:
        """Running time in microseconds."""
        return sum(end - begin for begin, end, _ in self.pieces)

    @property
    def false_start(self) -> bool:
        """Whether it ran under 30 s and is over."""
        return not self.open and self.running_us < FALSE_START_US


@dataclass(slots=True)
class _Channel:
    state: str = "off"
    found: Found | None = None
    use: int | None = None
    entry: int | None = None
    strength: int | None = None
    rate: int = 0
    left: float | None = None
    since: int = 0
    stopped: int = 0
    proof: int = 0
    volume: int | None = None
    area: int = NO_AREA


class Walk:
    """The walk through one stretch of one pump."""

    def __init__(self) -> None:
        self.found: list[Found] = []
        self.programmed: list[Programmed] = []
        self._channels: dict[int, _Channel] = {}
        self._area = NO_AREA
        self._patient: int | None = None
        self._library: int | None = None
        self._on = False
        self._last = 0

    def go(self, events: Iterable[Heard]) -> list[Found]:
        """Walk, and return the infusions in order of their begin."""
        for event in events:
            if event.gap:
                self._gap(event)
            self._hear(event)
            self._last = event.at
        for channel in self._channels.values():
            if channel.state == "running" and channel.found:
                channel.found.open = True
                self._close(channel, self._last, bounded=True)
            elif channel.state in ("paused", "keep_open") and channel.found:
                channel.found.open = True
        return self.found

    def _gap(self, event: Heard) -> None:
        for number, channel in self._channels.items():
            if channel.state not in ("running", "paused", "keep_open"):
                continue
            proves = event.kind in (r.RATE, r.PAUSE, r.COMPLETE, r.STOP)
            if event.channel == number and proves:
                continue
            if event.channel == number and event.kind == r.VOLUME:
                raise UnclearCaseError(f"a volume report after a gap at {event.at}")
            if channel.state == "running":
                self._close(channel, self._last, bounded=True)
            channel.state = "unknown"
            if channel.found:
                channel.found.uncertain = True

    def _hear(self, event: Heard) -> None:
        if event.kind == r.ON:
            self._power_off(event.at, known=not self._on)
            self._on = True
        if event.library is not None:
            self._library = event.library
        if event.area is not None and event.area != self._area:
            for channel in self._channels.values():
                if channel.state == "running":
                    raise UnclearCaseError(f"a care area selected while running at {event.at}")
            self._area = event.area
        if event.patient is not None and event.patient != self._patient:
            self._new_patient(event)
        if event.kind == r.OFF:
            self._power_off(event.at, known=True, unclear=event.ambiguous)
            self._on = False
        elif event.channel > 0:
            self._deliver(self._channels.setdefault(event.channel, _Channel()), event)

    def _power_off(self, at: int, known: bool, unclear: bool = False) -> None:
        for channel in self._channels.values():
            if channel.state == "running" and channel.found:
                if known:
                    self._close(channel, at, bounded=False)
                    channel.found.end_unclear = unclear
                else:
                    channel.found.uncertain = True
                    self._close(channel, channel.proof, bounded=True)
        # a power-off clears entry and concentration; the library use last confirmed stays (ruling 13)
        self._channels = {number: _Channel(use=channel.use) for number, channel in self._channels.items()}
        self._area = NO_AREA

    def _new_patient(self, event: Heard) -> None:
        self._patient = event.patient
        for channel in self._channels.values():
            if channel.state == "running" and channel.found:
                self._close(channel, event.at, bounded=False)
                before = channel.found
                channel.found = Found(event.at, self._area, event.session, before.use, before.entry,
                                      before.strength, before.library, counted=False)  # fmt: skip
                self.found.append(channel.found)
                channel.since = event.at
            elif channel.state != "unknown":
                channel.state, channel.found = "off", None

    def _deliver(self, channel: _Channel, event: Heard) -> None:
        kind = event.kind
        if kind in (r.START, r.RESUME) or (kind == r.BYPASS and event.rate is not None):
            self._start(channel, event)
        elif kind == r.RATE:
            self._change(channel, event)
        elif kind in (r.PAUSE, r.COMPLETE, r.STOP) or (kind == r.ALARM and event.stops):
            if channel.found is None:
                raise UnclearCaseError(f"an end without a beginning at {event.at}")
            if channel.state == "running":
                self._close(channel, event.at, bounded=False)
            channel.state = "paused" if kind in (r.PAUSE, r.ALARM) else "stopped"
            channel.stopped = event.at
            channel.found.end_unclear = event.ambiguous
        elif kind == r.KEEP_OPEN:
            channel.state = "keep_open"
        elif kind == r.OTHER:
            if channel.found:
                channel.found.uncertain = True
        elif kind == r.VOLUME and channel.state == "running":
            if channel.volume is not None and event.volume is not None and event.volume > channel.volume:
                channel.proof = event.at
            channel.volume = event.volume
        if kind not in _NO_PROOF and (kind != r.ALARM or event.stops):
            channel.proof = event.at

    def _start(self, channel: _Channel, event: Heard) -> None:
        use = channel.use if event.use is None else event.use
        entry = channel.entry if event.use is None else event.entry
        strength = channel.strength if event.use is None else event.strength
        before = channel.found
        same = (
            before is not None
            and channel.area == self._area
            and (before.use, before.entry, before.strength) == (use, entry, strength)
        )
        window = {"paused": WINDOW_AFTER_PAUSE_S, "stopped": WINDOW_AFTER_STOP_S}.get(channel.state)
        if channel.state == "running" and before:
            planned = event.at * _US
            if self._close(channel, event.at, bounded=True) < planned:
                before.uncertain = True
                if same:
                    raise UnclearCaseError(f"a start of the same after its volume at {event.at}")
        if channel.state == "unknown" and same:
            raise UnclearCaseError(f"a start of the same after an unknown stretch at {event.at}")
        if event.kind == r.RESUME and not same:
            raise UnclearCaseError(f"a resumption of nothing at {event.at}")
        in_time = window is None or event.at - channel.stopped <= window
        if not (same and in_time and channel.state != "off"):
            channel.found = Found(event.at, self._area, event.session, use, entry, strength, self._library,
                                  counted=True, uncertain=event.ambiguous)  # fmt: skip
            self.found.append(channel.found)
            self._programme(event, use, is_start=True)
            channel.volume = None
            if before and channel.state == "running":
                before.end_unclear = event.ambiguous
        elif before:
            before.end_unclear = False  # it goes on: what looked like its end was none
            if event.rate is not None and event.rate != channel.rate:
                self._programme(event, use, is_start=False)  # the change itself was not heard
        if entry == UNMAPPED and channel.found:
            channel.found.uncertain = True
        channel.use, channel.entry, channel.strength = use, entry, strength
        channel.state, channel.since, channel.area = "running", event.at, self._area
        channel.rate = channel.rate if event.rate is None else event.rate
        channel.left = channel.left if event.to_infuse is None else float(event.to_infuse)

    def _programme(self, event: Heard, use: int | None, *, is_start: bool, new_rate: bool = False) -> None:
        self.programmed.append(Programmed(event.at, self._area, event.session, use, is_start, new_rate))

    def _change(self, channel: _Channel, event: Heard) -> None:
        known = channel.found is not None and channel.rate > 0
        if event.rate is not None and event.rate != channel.rate:
            self._programme(event, channel.use, is_start=False, new_rate=known and channel.state == "running")
        if channel.state == "running":
            self._close(channel, event.at, bounded=False)
        elif channel.found is None:
            channel.found = Found(event.at, self._area, event.session, channel.use, channel.entry,
                                  channel.strength, self._library, counted=False, uncertain=True)  # fmt: skip
            self.found.append(channel.found)
        elif channel.state not in ("unknown", "paused"):
            raise UnclearCaseError(f"a rate change after a stop at {event.at}")
        if channel.state != "paused":
            channel.state, channel.since, channel.area = "running", event.at, self._area
        channel.rate = channel.rate if event.rate is None else event.rate

    def _close(self, channel: _Channel, at: int, *, bounded: bool) -> int:
        """End the running stretch at `at`, or sooner where its volume was reached; return when (us)."""
        begin, end = channel.since * _US, at * _US
        if bounded and channel.left is not None and channel.rate > 0:
            end = min(end, begin + max(0, round(channel.left * 3600 * _US / channel.rate)))
        if channel.left is not None:
            channel.left -= channel.rate * (end - begin) / (3600 * _US)
        if channel.found and end > begin:
            channel.found.pieces.append((begin, end, channel.area))
        channel.since = at
        return end


__all__ = ["NO_AREA", "UNMAPPED", "Found", "Heard", "UnclearCaseError", "Walk"]
