"""Advice to leave a thermal: the last two turns have climbed less than the MacCready value.

The MacCready value is the climb expected in the next thermal; a weaker climb is left (P. MacCready, Soaring
1954). Nothing is advised if the value is 0, while the climb is not known over two whole turns, or while the
vario is not compensated.
"""

from __future__ import annotations

from enum import Enum, auto

from drivers.quick import dataclass
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.thermal.averages import Averages

BELOW_MPS = 0.2
"""How far the climb must be below the MacCready value: over two turns it is known to about 0.1 m/s."""


class LeaveAdvice(Enum):
    """Whether the climb is worth staying."""

    STAY = auto()
    LEAVE = auto()


@dataclass(frozen=True, slots=True)
class LeaveInputs:
    """The inputs of the guards; `climb_mps` is over the last two turns, None: not known."""

    climb_mps: float | None
    maccready_mps: float
    circling: bool


def weaker(i: LeaveInputs) -> bool:
    """The last two turns climbed 0.2 m/s less than the MacCready value, which is not 0."""
    weak = i.climb_mps is not None and i.climb_mps < i.maccready_mps - BELOW_MPS
    return i.circling and i.maccready_mps > 0.0 and weak


def strong_again(i: LeaveInputs) -> bool:
    """Not circling, or the last two turns climbed more than the MacCready value, or it is 0."""
    strong = i.climb_mps is not None and i.climb_mps > i.maccready_mps
    return not i.circling or i.maccready_mps == 0.0 or strong


TRANSITIONS = (
    Transition(LeaveAdvice.STAY, LeaveAdvice.LEAVE, weaker),
    Transition(LeaveAdvice.LEAVE, LeaveAdvice.STAY, strong_again),
)


class LeaveStage:
    """Runs the table."""

    def __init__(self, setup: Setup) -> None:
        self._table = StateTable(TRANSITIONS)
        self.configure(setup)

    def configure(self, setup: Setup) -> None:
        """Take a changed MacCready value."""
        self._maccready_mps = setup.maccready_mps

    def reset(self, reason: ResetReason) -> None:
        """Nothing is advised."""
        self._table.enter(LeaveAdvice.STAY)

    def update(self, averages: Averages, energy: Energy, mode: Mode) -> bool:
        """One frame; whether leaving is advised."""
        climb_mps = averages.turns_mps if energy.compensated else None
        self._table.update(LeaveInputs(climb_mps, self._maccready_mps, mode is Mode.CIRCLING))
        return self._table.state is LeaveAdvice.LEAVE
