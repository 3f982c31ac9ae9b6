"""Detect the flight regime (rest, rolling, towed, gliding, stalled), and estimate the mounting roll."""

from __future__ import annotations

import math

from drivers.isa import G0_MPS2
from vario.flight.core.low_pass import LowPass, low_pass_weight
from vario.flight.core.vectors import Vector, size
from vario.flight.estimate.airdata import AirData
from vario.flight.estimate.inertial_model import ALPHA, Regime
from vario.flight.estimate.inertial_state import InertialState

_ROLL_RAD = math.radians(2.0)  # usual accuracy of the mounting: assumed
_ROLL_NOISE_RAD_SQRT_S = math.radians(8.0)  # sideslips of 1.5° for 3 s at a time give about this
NOT_FLYING_MPS = 9.0
_STALL_RAD = 0.21  # about 12° above zero lift, where thick wings begin to stall: common practice, no source
_STALL_HOLD_S = 3.0
_TOW_S, _TOW_MPS2 = 1.5, 0.4
"""The wing is towed if the mean specific force along the path is larger than this."""

_INCIDENCE_RAD = 0.02
"""With this error of the incidence, lift looks like a pull of 0.2 m/s², half of the limit."""
_FORCE_S, _STEADY_MPS2 = 3.0, 0.4
_OFF_GROUND_M, _OFF_GROUND_S = 3.0, 15.0
"""The lift curve does not hold while the wheel carries a part of the weight. A glider that is fast enough to
fly counts as flying once it has climbed by this height, or after this time.
"""


class RegimeWatch:
    """Tracks the regime.

    Attributes:
        mounting_roll_rad: roll of the instrument relative to the glider, right positive.
        incidence_known: False from the discovery that the airspeeds had a wrong scale until the incidence is
            known again.
    """

    def __init__(self) -> None:
        self.mounting_roll_rad = 0.0
        self.on_tow = False
        self._roll_variance = _ROLL_RAD**2
        self._pull = LowPass(_TOW_S)
        self.start(Regime.ROLLING)

    def start(self, regime: Regime) -> None:
        """Start again after an alignment."""
        self.regime = regime
        self._pull.reset(0.0)
        self._still_s = self._stall_s = self._fast_s = 0.0
        self._ground_m: float | None = None
        self._mean_force: Vector | None = None
        self.incidence_known = True

    def forget_airspeed(self) -> None:
        """The airspeeds so far had a wrong scale: a wrong incidence looks like the pull of a rope."""
        self.incidence_known = False

    @property
    def on_ground(self) -> bool:
        """Whether the wheels carry the weight."""
        return self.regime is Regime.REST or self.regime is Regime.ROLLING

    def choose(self, state: InertialState, air: AirData, dt_s: float) -> Regime:
        """Select rest, rolling, towed, gliding or stalled, by one rule each, in this order."""
        tas = air.tas_mps or 0.0
        known = air.tas_age_s < 1.0
        grounded = self.on_ground
        if grounded and not known:
            return self.regime  # without an airspeed, flight cannot be detected
        if (
            known
            and tas < (state.wing.carries_from_mps(air.density_ratio) if grounded else NOT_FLYING_MPS)
            and (grounded or _slow_and_level(state, air))
        ):
            p, q, r = state.rate
            quiet = p * p + q * q + r * r < 0.03**2 and self._force_is_steady(state.force, dt_s)
            self._still_s = self._still_s + dt_s if quiet and tas < NOT_FLYING_MPS else 0.0
            self.regime = Regime.REST if self._still_s > 1.0 else Regime.ROLLING
            self._ground_m, self._fast_s = air.height_m, 0.0
            return self.regime
        if grounded:
            self._fast_s += dt_s
            if not self._off_ground(air):
                self.regime = Regime.ROLLING
                return self.regime
            state.take_off(tas)
            self.regime, self._still_s = Regime.GLIDING, 0.0
        fx, fy, fz = state.force
        vx, vy, vz = state.air
        speed = max(size(state.air), 8.0)
        along = (fx * vx + fy * vy + fz * vz) / speed
        pull_mps2 = self._pull.follow(along, dt_s)
        incidence_variance = float(state.cov[ALPHA, ALPHA])  # a comparison of NumPy is not a bool
        self.incidence_known = self.incidence_known or incidence_variance < _INCIDENCE_RAD**2
        fast = max(vx + state.gust_mps, 8.0)
        above_zero_lift = state.lift_m * -fz / (air.density_ratio * fast * fast)
        # Without a measured airspeed the incidence is not known well enough to detect a stall.
        deep = self._stall_s > 0.0 and vz / fast - state.incidence_rad > _STALL_RAD
        self._stall_s = (
            _STALL_HOLD_S
            if known and (deep or above_zero_lift > _STALL_RAD)
            else max(self._stall_s - dt_s, 0.0)
        )
        if self.on_tow:
            self.regime = Regime.TOWED
        elif self._stall_s > 0.0:
            self.regime = Regime.STALLED
        elif self.incidence_known and pull_mps2 > _TOW_MPS2:
            # Drag only decelerates a glider, so another force pulls it.
            self.regime = Regime.TOWED
        else:
            self.regime = Regime.GLIDING
        return self.regime

    def _force_is_steady(self, force: Vector, dt_s: float) -> bool:
        """Whether the specific force has not changed; its magnitude alone hardly shows a ground roll."""
        mean_force = self._mean_force or force
        fx, fy, fz = (now - mean for now, mean in zip(force, mean_force, strict=True))
        share = low_pass_weight(dt_s, _FORCE_S)
        self._mean_force = (
            mean_force[0] + share * fx,
            mean_force[1] + share * fy,
            mean_force[2] + share * fz,
        )
        return fx * fx + fy * fy + fz * fz < _STEADY_MPS2**2

    def _off_ground(self, air: AirData) -> bool:
        """Whether a glider that is fast enough has left the ground; True if no ground roll was detected."""
        if self._ground_m is None or self._fast_s > _OFF_GROUND_S:
            return True
        return air.height_m > self._ground_m + _OFF_GROUND_M

    def learn_mounting_roll(self, state: InertialState, dt_s: float) -> None:
        """Estimate the roll of the instrument relative to the glider, from straight flight.

        In straight flight without slip there is no side force; an instrument that is mounted with a roll
        error then measures a part of the lift as side force. Pilots slip to either side, so this estimate
        changes slowly.
        """
        force = state.force
        if self.regime is not Regime.GLIDING or abs(state.rate[2]) > 0.06 or force[2] > -5.0:
            return
        gain = self._roll_variance / (self._roll_variance + _ROLL_NOISE_RAD_SQRT_S**2 / dt_s)
        self.mounting_roll_rad += gain * (force[1] / force[2] - self.mounting_roll_rad)
        self._roll_variance *= 1.0 - gain


def _slow_and_level(state: InertialState, air: AirData) -> bool:
    """Distinguishes the end of a landing roll from a stall or a blocked pitot."""
    return abs(size(state.force) - G0_MPS2) < 2.0 and abs(air.altitude.rate) < 0.7
