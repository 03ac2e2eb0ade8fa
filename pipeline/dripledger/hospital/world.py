"""What there is to know about the invented hospital: sessions, infusions, and the arrays that hold them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dripledger.hospital.calendar import Calendar, Flags, Ints
from dripledger.hospital.fleet import Fleet
from dripledger.hospital.scenario import Scenario

Reals = npt.NDArray[np.float64]

#: How an infusion ends.
STOPPED, COMPLETED, KEPT_OPEN, REFILLED, SWITCHED_OFF, HANDED_OVER = range(6)
#: What interrupts an infusion in its pause.
BY_USER, BY_ALARM, BY_SECONDARY = range(3)
#: Library use.
LIMITED, NO_LIMITS, BYPASSED = range(3)

MOST_INFUSIONS = 4
MOST_CHANGES = 3
KEEP_OPEN_RATE_CENTI = 100


@dataclass
class Sessions:
    """One array entry a session; times are instants in seconds."""

    pump: Ints
    start: Ints
    end: Ints
    area: Ints  # index of the care area, -1: none selected
    patient: Ints
    new_patient: Flags
    weight_g: Ints  # -1: none entered
    weight_at: Ints
    library: Ints
    area_known: Flags  # False: the log writes a label that nobody has filed


@dataclass
class Infusions:
    """One array entry an infusion, in order of session, channel, place; times in seconds from its start.

    `change_at` counts running seconds of the first leg (shape (n, 3)); rates are in 0.01 mL/h.
    """

    session: Ints
    channel: Ints
    place: Ints
    last: Flags
    start: Ints
    run_s: Ints
    pause_at: Ints  # -1: no pause
    pause_s: Ints
    changes: Ints
    change_at: Ints
    rate: Ints
    change_rate: Ints
    ending: Ints
    keep_open_at: Ints
    keep_open_s: Ints  # 0: none
    second_at: Ints
    second_s: Ints  # 0: no second leg
    handed: Flags  # began while the one before still ran
    use: Ints
    entry: Ints  # -1: outside the library
    concentration: Ints
    to_infuse: Ints  # 0.01 mL
    second_to_infuse: Ints
    entry_known: Flags
    pause_cause: Ints  # who or what interrupts: BY_USER, BY_ALARM, BY_SECONDARY
    secondary: Flags  # runs on the secondary line of its channel

    @property
    def first_end(self) -> Ints:
        """Seconds from the start to the end of the first leg."""
        return self.run_s + self.pause_s

    @property
    def length(self) -> Ints:
        """Seconds from the start to the last thing that belongs to it."""
        end = np.where(self.keep_open_s > 0, self.keep_open_at + self.keep_open_s, self.first_end)
        length: Ints = np.where(self.second_s > 0, self.second_at + self.second_s, end)
        return length

    def rows(self, rows: Ints) -> Infusions:
        """Return some infusions, in the order asked for."""
        return Infusions(**{name: values[rows] for name, values in vars(self).items()})

    def take(self, keep: Flags) -> None:
        """Keep only some infusions."""
        for name, values in vars(self).items():
            setattr(self, name, values[keep])


@dataclass
class World:
    """Everything that happened."""

    scenario: Scenario
    calendar: Calendar
    fleet: Fleet
    sessions: Sessions
    infusions: Infusions
    log_start: int
    log_end: int
    pinned: dict[str, int]  # planted name -> session
    form: str | None = None  # the one form in which every pump writes its limit alerts; None: a third in each


def wall(inf: Infusions, rows: Ints, running: Ints) -> Ints:
    """Turn running seconds of the first leg of some infusions into seconds since their start."""
    after = (inf.pause_at[rows] >= 0) & (running > inf.pause_at[rows])
    moved: Ints = running + np.where(after, inf.pause_s[rows], 0)
    return moved


def rate_after(inf: Infusions, changes: Ints) -> Ints:
    """Return the rate (0.01 mL/h) in force after so many changes."""
    rates = np.concatenate([inf.rate[:, None], inf.change_rate], axis=1)
    found: Ints = rates[np.arange(len(rates)), np.minimum(changes, inf.changes)]
    return found


def volume_at(inf: Infusions, running_s: Ints) -> Reals:
    """Return the volume (0.01 mL) delivered in the first leg after so many running seconds."""
    edges = np.concatenate([np.zeros((len(inf.rate), 1), np.int64), inf.change_at], axis=1)
    total = np.zeros(len(inf.rate))
    for i in range(MOST_CHANGES + 1):
        here = inf.changes >= i
        until = np.where(inf.changes > i, edges[:, min(i + 1, MOST_CHANGES)], inf.run_s)
        seconds = np.clip(np.minimum(running_s, until) - edges[:, i], 0, None)
        rate = inf.rate if i == 0 else inf.change_rate[:, i - 1]
        total += np.where(here, rate * seconds / 3600, 0.0)
    return total
