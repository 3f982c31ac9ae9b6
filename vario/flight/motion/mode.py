"""The mode machine: ground, launch, cruise, circling, as one table of transitions.

The pilot may hold cruise or circling; on the ground and on launch that waits until free flight.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from drivers.quick import quick
from vario.flight.inputs.health import Inputs
from vario.flight.motion.energy import Energy
from vario.flight.motion.turning import Turning
from vario.settings.schema import Circling

FLYING_MPS = 15.0
"""Faster than this, through the air or over ground, is flying (common practice, no source)."""

SURELY_FLYING_MPS = 22.0
"""No airspeed sensor, however badly zeroed, reads this at rest; a glider hovering in strong wind does."""

MOVING_MPS = 7.0
"""Slower than this over ground, an airspeed of flying speed is more likely a zero offset, or a gust."""

STILL_MPS = 7.0
STILL_GROUND_MPS = 2.0
STILL_CLIMB_MPS = 0.5

LAUNCH_GAIN_M = 80.0
"""A launch is not over before it has gained this."""

LAUNCH_FADES_MPS = 0.3
"""On the wire or behind a tug the energy keeps rising; slower than this for a while is free flight."""

TOW_TURN_RADPS = math.radians(10.0)
"""No tug turns as tightly as this for a full circle: turning so is thermalling after release."""

LAUNCH_LONGEST_S = 1800.0


class Mode(StrEnum):
    """What the glider is doing."""

    GROUND = "ground"
    LAUNCH = "launch"
    CRUISE = "cruise"
    CIRCLING = "circling"


@quick
@dataclass(frozen=True, slots=True)
class Situation:
    """What the guards look at. Speeds are None when unknown; a guard never fires on the unknown."""

    tas_mps: float | None
    ground_speed_mps: float | None
    vario_mps: float | None
    gain_m: float
    in_mode_s: float
    was_still: bool
    turning: Turning
    wish: str
    """The pilot's setting: "automatic", "cruise" or "circling"."""


Guard = Callable[[Situation, Circling], bool]


def _flying(s: Situation, _: Circling) -> bool:
    if s.tas_mps is None or s.ground_speed_mps is None:
        speed_mps = s.ground_speed_mps if s.tas_mps is None else s.tas_mps
        return speed_mps is not None and speed_mps > FLYING_MPS
    moving = s.ground_speed_mps > MOVING_MPS and s.tas_mps > FLYING_MPS
    return moving or s.tas_mps > SURELY_FLYING_MPS


def _launching(s: Situation, c: Circling) -> bool:
    return s.was_still and _flying(s, c)


def _found_flying(s: Situation, c: Circling) -> bool:
    return not s.was_still and _flying(s, c)


def _slow(tas_mps: float | None, ground_speed_mps: float | None) -> bool:
    if ground_speed_mps is None:
        return tas_mps is not None and tas_mps < STILL_MPS
    # In wind a glider flies slowly over ground, or not at all; its airspeed tells.
    return ground_speed_mps < STILL_GROUND_MPS and (tas_mps is None or tas_mps < FLYING_MPS)


def _still(s: Situation, _: Circling) -> bool:
    slow = _slow(s.tas_mps, s.ground_speed_mps)
    return slow and s.vario_mps is not None and abs(s.vario_mps) < STILL_CLIMB_MPS


def _launch_over(s: Situation, _: Circling) -> bool:
    faded = s.vario_mps is not None and s.vario_mps < LAUNCH_FADES_MPS
    return (s.gain_m > LAUNCH_GAIN_M and faded) or s.in_mode_s > LAUNCH_LONGEST_S


def _tight_circle(s: Situation, _: Circling) -> bool:
    return abs(s.turning.turned_rad) > math.tau and abs(s.turning.rate_radps) > TOW_TURN_RADPS


def _circle_begun(s: Situation, c: Circling) -> bool:
    return s.wish == "automatic" and abs(s.turning.turned_rad) >= c.start_after_rad


def _not_turning(s: Situation, _: Circling) -> bool:
    return s.wish == "automatic" and s.turning.known and not s.turning.active


def _circling_wished(s: Situation, _: Circling) -> bool:
    return s.wish == "circling"


def _cruise_wished(s: Situation, _: Circling) -> bool:
    return s.wish == "cruise"


@dataclass(frozen=True, slots=True)
class Transition:
    """Leave `start` for `end` once `guard` has held for `hold_s` without a break."""

    start: Mode
    end: Mode
    guard: Guard
    hold_s: float | Callable[[Circling], float]
    """A time, or the pilot's setting of one."""


TRANSITIONS = (
    Transition(Mode.GROUND, Mode.LAUNCH, _launching, 2.0),
    Transition(Mode.GROUND, Mode.CRUISE, _found_flying, 3.0),
    Transition(Mode.LAUNCH, Mode.CIRCLING, _tight_circle, 0.0),
    Transition(Mode.LAUNCH, Mode.CRUISE, _launch_over, 8.0),
    Transition(Mode.LAUNCH, Mode.GROUND, _still, 10.0),
    Transition(Mode.CRUISE, Mode.CIRCLING, _circle_begun, lambda c: c.start_hold_s),
    Transition(Mode.CRUISE, Mode.CIRCLING, _circling_wished, 0.0),
    Transition(Mode.CRUISE, Mode.GROUND, _still, 15.0),
    Transition(Mode.CIRCLING, Mode.CRUISE, _not_turning, lambda c: c.stop_after_s),
    Transition(Mode.CIRCLING, Mode.CRUISE, _cruise_wished, 0.0),
    Transition(Mode.CIRCLING, Mode.GROUND, _still, 15.0),
)


_FROM = {mode: [n for n, transition in enumerate(TRANSITIONS) if transition.start is mode] for mode in Mode}
"""The transitions out of each mode, by their place in the table."""


class ModeStage:
    """Runs the table."""

    def __init__(self, settings: Circling, wish: str = "automatic") -> None:
        self.configure(settings, wish)
        self._held_s = [0.0] * len(TRANSITIONS)
        self.mode = Mode.GROUND
        self._since_s: float | None = None
        self._was_still = False
        self._start_energy_m: float | None = None
        self._smooth_vario_mps: float | None = None
        self._ground_speed_mps: float | None = None

    def configure(self, settings: Circling, wish: str) -> None:
        """Take changed settings; `wish` is the pilot's "automatic", "cruise" or "circling"."""
        self._settings = settings
        self._wish = wish

    def begin_again(self) -> None:
        """The clock has jumped: the mode stays, what was about to end it counts afresh."""
        self._since_s = None
        self._held_s = [0.0] * len(TRANSITIONS)
        self._smooth_vario_mps = self._ground_speed_mps = None

    def update(self, inputs: Inputs, energy: Energy, turning: Turning) -> Mode:
        """One frame."""
        t_s, dt_s = inputs.frame.t_s, inputs.frame.dt_s
        if self._since_s is None:
            self._since_s = t_s
        self._follow_ground_speed(inputs)
        situation = self._look(energy, turning, t_s, dt_s)
        for index in _FROM[self.mode]:
            transition = TRANSITIONS[index]
            if not transition.guard(situation, self._settings):
                self._held_s[index] = 0.0
                continue
            self._held_s[index] += dt_s
            hold_s = transition.hold_s
            if callable(hold_s):
                hold_s = hold_s(self._settings)
            if self._held_s[index] >= hold_s:
                self._enter(transition.end, t_s, energy)
                break
        return self.mode

    def _follow_ground_speed(self, inputs: Inputs) -> None:
        if not inputs.has_gnss:
            self._ground_speed_mps = None
        for sample in inputs.frame.gnss_vel:
            self._ground_speed_mps = math.hypot(sample.north_mps, sample.east_mps)

    def _look(self, energy: Energy, turning: Turning, t_s: float, dt_s: float) -> Situation:
        if energy.vario_mps is None:
            self._smooth_vario_mps = None
        else:
            last = energy.vario_mps if self._smooth_vario_mps is None else self._smooth_vario_mps
            self._smooth_vario_mps = last + min(1.0, dt_s / 4.0) * (energy.vario_mps - last)
        if self.mode is Mode.GROUND and _slow(energy.tas_mps, self._ground_speed_mps):
            self._was_still = True
        if self._start_energy_m is None:
            self._start_energy_m = energy.energy_altitude_m
        gain = 0.0
        if energy.energy_altitude_m is not None and self._start_energy_m is not None:
            gain = energy.energy_altitude_m - self._start_energy_m
        assert self._since_s is not None  # noqa: S101  (set by the only caller)
        return Situation(
            energy.tas_mps,
            self._ground_speed_mps,
            self._smooth_vario_mps,
            gain,
            t_s - self._since_s,
            self._was_still,
            turning,
            self._wish,
        )

    def _enter(self, mode: Mode, t_s: float, energy: Energy) -> None:
        self.mode = mode
        self._since_s = t_s
        self._start_energy_m = energy.energy_altitude_m
        self._was_still = False
        self._held_s = [0.0] * len(TRANSITIONS)
