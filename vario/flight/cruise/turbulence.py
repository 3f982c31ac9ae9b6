"""Turbulence: the RMS of the fast part of the normal acceleration, and whether the air is rough.

The pilot changes the load within seconds, gusts change it within one. The air counts as rough until it has
been measured as smooth for a while, and whenever its turbulence is not known: this is the cautious choice for
a speed limit.
"""

from __future__ import annotations

import math
from enum import Enum, auto

from drivers.isa import G0_MPS2
from drivers.quick import dataclass
from vario.flight.core.low_pass import LowPass
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.motion.attitude import Attitude

SLOW_S = 0.8
"""Slower changes of the load are made by the pilot."""

MEAN_S = 12.0
"""Averaging time of the mean square: some three hundred metres of flight."""

SMOOTH_SHARE = 0.7
SMOOTH_FOR_S = 20.0
"""The turbulence must stay below this fraction of its threshold for this long to count as smooth."""


class AirState(Enum):
    """Whether the air is rough."""

    ROUGH = auto()
    SMOOTH = auto()


@dataclass(frozen=True, slots=True)
class TurbulenceInputs:
    """The inputs of the guards.

    Attributes:
        rms_mps2: the turbulence measured; None: not known.
        threshold_mps2: the air is rough from this value on.
    """

    rms_mps2: float | None
    threshold_mps2: float


def rough(i: TurbulenceInputs) -> bool:
    """The turbulence is unknown, or at or above its threshold."""
    return i.rms_mps2 is None or i.rms_mps2 >= i.threshold_mps2


def smooth(i: TurbulenceInputs) -> bool:
    """The turbulence is below 0.7 times its threshold."""
    return i.rms_mps2 is not None and i.rms_mps2 < SMOOTH_SHARE * i.threshold_mps2


TRANSITIONS = (
    Transition(AirState.ROUGH, AirState.SMOOTH, smooth, SMOOTH_FOR_S),
    Transition(AirState.SMOOTH, AirState.ROUGH, rough),
)


class Turbulence:
    """Measures the turbulence and decides whether the air is rough."""

    def __init__(self) -> None:
        self._table = StateTable(TRANSITIONS)
        self._slow = LowPass(SLOW_S)
        self._mean_square = LowPass(MEAN_S, 0.0)
        self.reset()

    def reset(self) -> None:
        """Nothing is known; the air counts as rough."""
        self._table.enter(AirState.ROUGH)
        self._forget()

    @property
    def is_rough(self) -> bool:
        """Whether the air counts as rough."""
        return self._table.state is AirState.ROUGH

    def update(self, dt_s: float, attitude: Attitude | None, threshold_mps2: float) -> float | None:
        """One frame; returns the RMS in m/s², None before it is known."""
        if attitude is None:
            self._forget()
        else:
            self._follow(dt_s, attitude.load_factor * G0_MPS2)
        rms_mps2 = math.sqrt(self._mean_square.value or 0.0) if self._seen_s >= MEAN_S else None
        self._table.update(TurbulenceInputs(rms_mps2, threshold_mps2), dt_s)
        return rms_mps2

    def _forget(self) -> None:
        self._slow.reset()
        self._mean_square.reset(0.0)
        self._seen_s = 0.0

    def _follow(self, dt_s: float, accel_mps2: float) -> None:
        gust_mps2 = accel_mps2 - self._slow.follow(accel_mps2, dt_s)
        self._mean_square.follow(gust_mps2 * gust_mps2, dt_s)
        self._seen_s += dt_s
