"""Advice that the airspeed is low for the bank while circling.

The stall speed grows with the root of the load factor (FAA-H-8083-13, Glider Flying Handbook), so it
is VS·√n in a turn. Advice is due below 1.1 times that. This is no stall warning: a glider can stall at any
airspeed, and airspeed, load and the stall speed of the glider file have errors. It stays silent without any
of them.
"""

from __future__ import annotations

import math
from enum import Enum, auto

from drivers.quick import dataclass
from vario.flight.core.low_pass import LowPass
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

MARGIN = 1.1

SMOOTH_S = 1.0
"""Single gusts change load and airspeed for less than a second."""

HOLD_S = 1.0

ENOUGH = 1.04
"""The advice ends at this multiple of the speed below which it begins."""


class TurnSpeed(Enum):
    """Whether the airspeed suits the bank."""

    ENOUGH = auto()
    SLOW = auto()


@dataclass(frozen=True, slots=True)
class TurnSpeedInputs:
    """The inputs of the guards: airspeed over 1.1·VS·√n, smoothed; None: not known, or not circling."""

    ratio: float | None


NOT_KNOWN = TurnSpeedInputs(None)


def slow_for_bank(i: TurnSpeedInputs) -> bool:
    """In circling, the airspeed is below 1.1 times the stall speed at this load factor."""
    return i.ratio is not None and i.ratio < 1.0


def fast_enough(i: TurnSpeedInputs) -> bool:
    """The airspeed is 4 % above that, or unknown, or the glider does not circle."""
    return i.ratio is None or i.ratio > ENOUGH


TRANSITIONS = (
    Transition(TurnSpeed.ENOUGH, TurnSpeed.SLOW, slow_for_bank, HOLD_S),
    Transition(TurnSpeed.SLOW, TurnSpeed.ENOUGH, fast_enough),
)


class SlowTurnStage:
    """Runs the table."""

    def __init__(self, setup: Setup) -> None:
        self._table = StateTable(TRANSITIONS)
        self._ratio = LowPass(SMOOTH_S)
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take a changed stall speed, mass, or the pilot's choice."""
        self._least_mps: float | None = None
        if setup.settings.circling.slow_advice == "on" and setup.stall_mps is not None:
            self._least_mps = MARGIN * setup.stall_mps

    def reset(self, reason: ResetReason) -> None:
        """Nothing is known."""
        self._table.enter(TurnSpeed.ENOUGH)
        self._ratio.reset()

    def update(self, dt_s: float, ias_mps: float | None, attitude: Attitude | None, mode: Mode) -> bool:
        """One frame; whether the airspeed is low for the bank."""
        ratio = None
        if self._least_mps is not None and ias_mps is not None and attitude is not None:
            ratio = ias_mps / (self._least_mps * math.sqrt(max(attitude.load_factor, 0.25)))
        smooth = self._ratio.update(ratio, dt_s)
        self._table.update(TurnSpeedInputs(smooth) if mode is Mode.CIRCLING else NOT_KNOWN, dt_s)
        return self._table.state is TurnSpeed.SLOW
