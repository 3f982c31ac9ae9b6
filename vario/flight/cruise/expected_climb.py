"""Expected climb: the climb that circling here would give, computed in straight flight.

It is relative netto averaged over the last few seconds. The default averaging distance is longer than the
diameter of the circle, because a straight line crosses the best air of the core, while the circle stays in
weaker air around it. It is worth turning if the expected climb exceeds the MacCready value, which is the
climb that the cruise is flown for (P. MacCready, Soaring 1954; the same number decides both: Speight,
Technical Soaring, art. 789).
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from enum import Enum, auto

from drivers.isa import G0_MPS2
from drivers.quick import quick
from vario.flight.core.polar import true_scale
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.cruise.airmass import Airmass
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

STEP_S = 0.2
"""Spacing of the stored points."""

BEYOND = math.sqrt(3.0)
"""The averaging distance, in diameters of the circle.

Near its core any smooth updraft falls off with the square of the distance, W·(1 − ρ²/R²). A line through
the core, k radii r of the circle to each side, has the mean W·(1 − k²r²/3R²), and the circle itself
W·(1 − r²/R²): the same for k = √3. A shorter distance would promise more than the circle gives.
"""

HYSTERESIS_MPS = 0.2
"""How far the expected climb must fall below the MacCready value before the advice to turn ends."""


@quick
@dataclass(frozen=True, slots=True)
class Expected:
    """The climb expected from circling here (None: not known), and for how long turning has been worth it."""

    climb_mps: float | None
    worth_turning: bool
    worth_for_s: float


NOTHING = Expected(None, worth_turning=False, worth_for_s=0.0)


class TurnAdvice(Enum):
    """Whether it is worth turning."""

    FLY_ON = auto()
    TURN = auto()


@quick
@dataclass(frozen=True, slots=True)
class TurnAdviceInputs:
    """What the guards look at."""

    climb_mps: float | None
    maccready_mps: float
    cruising: bool


def above_maccready(i: TurnAdviceInputs) -> bool:
    """In cruise, the expected climb is at or above the MacCready value."""
    return i.cruising and i.climb_mps is not None and i.climb_mps >= i.maccready_mps


def below_maccready(i: TurnAdviceInputs) -> bool:
    """Not in cruise, or the expected climb is unknown or 0.2 m/s below the MacCready value."""
    return not i.cruising or i.climb_mps is None or i.climb_mps < i.maccready_mps - HYSTERESIS_MPS


TRANSITIONS = (
    Transition(TurnAdvice.FLY_ON, TurnAdvice.TURN, above_maccready),
    Transition(TurnAdvice.TURN, TurnAdvice.FLY_ON, below_maccready),
)


class ExpectedClimbStage:
    """Averages relative netto and decides whether it is worth turning."""

    def __init__(self, setup: Setup) -> None:
        self._points: deque[tuple[float, float]] = deque()
        self._advice = StateTable(TRANSITIONS)
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take a changed average, circle, MacCready value or polar."""
        self._average_s = setup.settings.expected_climb.average_s
        self._maccready_mps = setup.maccready_mps
        self._path_m = 0.0
        if setup.polar is not None:
            circling = setup.settings.circling
            speed_mps = circling.speed_mps or setup.polar.circling_speed_mps(circling.bank_rad)
            self._path_m = 2.0 * BEYOND * speed_mps**2 / (G0_MPS2 * math.tan(circling.bank_rad))

    def reset(self, reason: ResetReason) -> None:
        """Start a new average."""
        self._points.clear()
        self._gained_m = 0.0
        self._advice.enter(TurnAdvice.FLY_ON)
        self._since_s = 0.0

    def update(self, t_s: float, dt_s: float, energy: Energy, air: Airmass, mode: Mode) -> Expected:
        """One frame."""
        climb_mps = self._mean_mps(t_s, dt_s, energy, air)
        if self._advice.update(TurnAdviceInputs(climb_mps, self._maccready_mps, mode is Mode.CRUISE)):
            self._since_s = t_s
        worth = self._advice.state is TurnAdvice.TURN
        return Expected(climb_mps, worth, t_s - self._since_s if worth else 0.0)

    def _mean_mps(self, t_s: float, dt_s: float, energy: Energy, air: Airmass) -> float | None:
        if air.relative_netto_mps is None or energy.tas_mps is None or energy.density_kgpm3 is None:
            self._points.clear()
            self._gained_m = 0.0
            return None
        self._gained_m += air.relative_netto_mps * dt_s
        window_s = self._window_s(energy.tas_mps, energy.density_kgpm3)
        if not self._points or t_s - self._points[-1][0] >= STEP_S * 0.99:
            self._points.append((t_s, self._gained_m))
        while len(self._points) > 1 and self._points[1][0] <= t_s - window_s:
            self._points.popleft()
        then_s, then_m = self._points[0]
        if then_s > t_s - window_s or t_s <= then_s:
            return None
        return (self._gained_m - then_m) / (t_s - then_s)

    def _window_s(self, tas_mps: float, density_kgpm3: float) -> float:
        if self._average_s is not None:
            return self._average_s
        # The radius of the circle grows with the square of the true airspeed.
        path_m = self._path_m * true_scale(density_kgpm3) ** 2
        return path_m / max(tas_mps, 10.0)
