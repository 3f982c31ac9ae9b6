"""Expected climb: the climb that circling here would give, computed in straight flight.

It is relative netto averaged over the last few seconds. The default averaging distance is longer than the
diameter of the circle, because a straight line crosses the best air of the core, while the circle stays in
weaker air around it. It is worth turning if the expected climb exceeds the MacCready value, which is the
climb that the cruise is flown for (P. MacCready, Soaring 1954; the same number decides both: Speight,
Technical Soaring, art. 789).

The expected climb needs its long average, which is complete only after the core has been passed. The advice
to turn must come before the core, so it looks at the last two seconds: the line through their two means, at
the present moment. In turbulent air this value often exceeds the MacCready value by chance, so it must then
exceed the gusts as well. There is no advice in a turn or soon after aerobatics.
"""

from __future__ import annotations

import math
from collections import deque
from enum import Enum, auto

from drivers.isa import G0_MPS2
from drivers.quick import dataclass
from vario.flight.core.low_pass import LowPass
from vario.flight.core.polar import true_scale
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.cruise.airmass import Airmass
from vario.flight.motion.attitude import Attitude
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

SHORT_S = 1.0
"""Averaging time for the advice. A shorter one follows single gusts."""

GUST_SPAN_S = 1.0
GUST_MEMORY_S = 40.0
GUSTS = 9.5
"""The advice needs a rise of the air of this many times the RMS change from one second to the next. That RMS
is 0.4 to 0.5 of the RMS of gusts of 150 m length at 27 m/s, so this is about four times the RMS of the gusts.
Chosen on drawn gusts and thermals: three false calls in six hours of gusts of 1 m/s."""

LOADS = (0.3, 2.0)
STEEP_RAD = math.radians(60.0)
CALM_AFTER_S = 10.0
"""After a load outside these limits or a steeper bank, there is no advice for this time."""

HYSTERESIS_MPS = 0.2
"""How far the expected climb must fall below the MacCready value before the advice to turn ends."""


@dataclass(frozen=True, slots=True)
class Expected:
    """The climb expected from circling here (None: not known), and for how long turning has been worth it."""

    climb_mps: float | None
    worth_turning: bool
    worth_turning_time_s: float


class TurnAdvice(Enum):
    """Whether it is worth turning."""

    FLY_ON = auto()
    TURN = auto()


@dataclass(frozen=True, slots=True)
class TurnAdviceInputs:
    """The inputs of the guards.

    Attributes:
        short_mps: relative netto now, from its means over the last two seconds; None: not known.
        climb_mps: the expected climb; None: not known.
        maccready_mps: the MacCready value.
        gusts_mps: relative netto that gusts alone may reach.
        cruising: in cruise.
        straight: neither in a turn nor soon after aerobatics.
    """

    short_mps: float | None
    climb_mps: float | None
    maccready_mps: float
    gusts_mps: float
    cruising: bool
    straight: bool


def lift_begins(i: TurnAdviceInputs) -> bool:
    """In straight cruise, relative netto now reaches the MacCready value and exceeds gusts."""
    return (
        i.cruising
        and i.straight
        and i.short_mps is not None
        and i.short_mps >= max(i.maccready_mps, i.gusts_mps)
    )


def lift_ends(i: TurnAdviceInputs) -> bool:
    """Not in cruise, or relative netto now and the expected climb are 0.2 m/s below the MacCready value."""
    least = i.maccready_mps - HYSTERESIS_MPS
    weak = all(value is None or value < least for value in (i.short_mps, i.climb_mps))
    return not i.cruising or weak


TRANSITIONS = (
    Transition(TurnAdvice.FLY_ON, TurnAdvice.TURN, lift_begins),
    Transition(TurnAdvice.TURN, TurnAdvice.FLY_ON, lift_ends),
)


class ExpectedClimbStage:
    """Averages relative netto and decides whether it is worth turning."""

    def __init__(self, setup: Setup) -> None:
        self._points: deque[tuple[float, float]] = deque()
        self._advice = StateTable(TRANSITIONS)
        self._gust_square = LowPass(GUST_MEMORY_S, 0.0)
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take a changed average, circle, MacCready value or polar."""
        self._average_s = setup.settings.expected_climb.average_s
        self._maccready_mps = setup.maccready_mps
        self._circling_sink_mps = setup.circling_sink_mps
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
        self._gust_square.reset(0.0)
        self._calm_from_s = 0.0

    def update(
        self,
        t_s: float,
        dt_s: float,
        energy: Energy,
        air: Airmass,
        mode: Mode,
        *,
        turning: bool = False,
        attitude: Attitude | None = None,
    ) -> Expected:
        """One frame. `turning`: the glider turns now."""
        climb_mps = self._mean_mps(t_s, dt_s, energy, air)
        if attitude is not None and not _usual(attitude):
            self._calm_from_s = t_s + CALM_AFTER_S
        inputs = TurnAdviceInputs(
            self._now_mps(t_s),
            climb_mps,
            self._maccready_mps,
            GUSTS * math.sqrt(self._gust_square.value or 0.0) - self._circling_sink_mps,
            cruising=mode is Mode.CRUISE,
            straight=not turning and t_s >= self._calm_from_s,
        )
        if self._advice.update(inputs):
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
            self._follow_gusts()
        longest_s = max(window_s, 2.0 * SHORT_S)
        while len(self._points) > 1 and self._points[1][0] <= t_s - longest_s:
            self._points.popleft()
        return self._over_mps(t_s, window_s)

    def _now_mps(self, t_s: float) -> float | None:
        """The line through the means over the last two intervals of `SHORT_S`, at the present moment."""
        last, both = self._over_mps(t_s, SHORT_S), self._over_mps(t_s, 2.0 * SHORT_S)
        return None if last is None or both is None else last + (last - both)

    def _over_mps(self, t_s: float, window_s: float) -> float | None:
        """Mean relative netto over the last `window_s`; None before so much is stored."""
        points, then_s = self._points, t_s - window_s
        if not points or points[0][0] > then_s or t_s <= points[0][0]:
            return None
        found = points[0]
        if len(points) > 1 and points[1][0] <= then_s:  # a short window: its points are the last ones
            for point in reversed(points):
                if point[0] <= then_s:
                    found = point
                    break
        return (self._gained_m - found[1]) / (t_s - found[0])

    def _follow_gusts(self) -> None:
        """The mean square of the change of relative netto, each averaged over one second, in one second."""
        step = round(GUST_SPAN_S / STEP_S)
        if len(self._points) <= 2 * step:
            return
        (_, old_m), (_, middle_m), (_, new_m) = (self._points[k] for k in (-1 - 2 * step, -1 - step, -1))
        change_mps = (new_m - 2.0 * middle_m + old_m) / GUST_SPAN_S
        self._gust_square.follow(change_mps**2, STEP_S)

    def _window_s(self, tas_mps: float, density_kgpm3: float) -> float:
        if self._average_s is not None:
            return self._average_s
        # The radius of the circle grows with the square of the true airspeed.
        path_m = self._path_m * true_scale(density_kgpm3) ** 2
        return path_m / max(tas_mps, 10.0)


def _usual(attitude: Attitude) -> bool:
    return LOADS[0] <= attitude.load_factor <= LOADS[1] and abs(attitude.bank_rad) <= STEEP_RAD
