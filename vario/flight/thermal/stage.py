"""The thermal around the glider: lift around the circle, the core, the lift map and the centring cue."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from drivers.isa import G0_MPS2
from drivers.quick import dataclass
from vario.flight.cruise.airmass import Airmass
from vario.flight.estimate.result import Estimate
from vario.flight.inputs.health import Inputs
from vario.flight.motion.mode import Mode
from vario.flight.motion.place import Place
from vario.flight.motion.turning import Turning
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.thermal.airmass_velocity import AirmassVelocity
from vario.flight.thermal.centring import CentringCue
from vario.flight.thermal.circle import FRESH_PER_TURN, Circle, circle_of
from vario.flight.thermal.core_fit import Core, Floats, fit_core
from vario.flight.thermal.lift_map import STEP_RAD, LiftMap, LiftPoint, drifted_offset_m
from vario.flight.thermal.shifting import Manoeuvre, RollRate, Size, best_manoeuvre

FIT_EVERY = 3
"""Points between two fits: 30 degrees of turn."""

STEADY = 0.25
"""Points whose rate of turn differs from the latest by more than this share belong to another circle."""

LEAST_TURN = 0.45
"""Share of a turn from which a core is fitted; the points of the straight flight before help."""

FEWEST_STEADY = 6
"""Points from which the middle of the present circle is known: 60 degrees of turn."""

ACROSS_SIGMAS = 2.0
"""From this distance from the middle on, in standard errors across, the core gives the better direction."""

MOST_SIGMA_M = 55.0
"""With a larger uncertainty the position is mostly that of the prior: in still air too a core is found."""

CLEAR_SIGMAS = 6.0
CLEAR_SIGMA_M = 75.0
"""If the core is this many standard errors across from the middle, so that its direction is known to 10
degrees, its distance may be less certain. A cue one turn earlier is worth more than a better distance."""

LEAST_SHIFT_M = 15.0
"""Pilots do not fly a circle more precisely than this, so a smaller shift is not advised."""


@dataclass(frozen=True, slots=True)
class Shift:
    """Advice for moving the circle, in the drifting air.

    `bearing_rad` is the direction of the shift, from true north if `from_north`. `sigma_m` is the uncertainty
    of the core's position (one sigma in each axis). `sure`: the direction is known, and the distance to 55 m,
    or to 75 m if the direction is known to 10 degrees. `core` is relative to the middle of the circle.
    """

    distance_m: float
    bearing_rad: float
    sigma_m: float
    sure: bool
    from_north: bool
    core: Core


@dataclass(frozen=True, slots=True)
class Thermal:
    """The results on the thermal; `circle` and `shift` only while circling.

    `lift_map` holds the points of the last minutes, oldest first; `drifted_offset_m` gives where each is now.
    `centring_now` is the size of the shift for the one frame in which the cue is due, `centring_cues` counts
    the cues.
    """

    circle: Circle | None
    shift: Shift | None
    lift_map: tuple[LiftPoint, ...]
    centring_now: Size | None
    centring_cues: int


NOTHING = Thermal(None, None, (), centring_now=None, centring_cues=0)


class ThermalStage:
    """Maintains the lift map and computes the rest from it."""

    def __init__(self, setup: Setup) -> None:
        self._airmass_velocity = AirmassVelocity()
        self._roll_rate = RollRate()
        self._from_north = False
        self._now = NOTHING
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take changed settings."""
        self._settings = setup.settings.centring
        self._bank_rad = setup.settings.circling.bank_rad

    def reset(self, reason: ResetReason) -> None:
        """Clear the map; the count of cues and the sink learned stay."""
        self._map = LiftMap()
        self._cue = CentringCue()
        self._now = replace(NOTHING, centring_cues=self._now.centring_cues)
        self._since_fit = 0
        self._best: Manoeuvre | None = None

    def update(
        self,
        inputs: Inputs,
        estimate: Estimate,
        air: Airmass,
        turning: Turning,
        *,
        mode: Mode,
        place: Place | None,
    ) -> Thermal:
        """One frame. Without netto the estimator's second estimate of the air's velocity is used."""
        settings, t_s = self._settings, inputs.frame.t_s
        lag_s = settings.lag_s if inputs.has_imu else settings.lag_no_imu_s
        if turning.from_north is not self._from_north:
            # The zero of all headings has changed: no direction found before is valid.
            self._from_north = turning.from_north
            self._map = LiftMap()
            self._now = replace(NOTHING, centring_cues=self._now.centring_cues)
            self._best = None
        load = None if estimate.attitude is None else estimate.attitude.load_factor
        if estimate.attitude is not None:
            self._roll_rate.update(t_s, estimate.attitude.bank_rad)
        climb_mps, air_up_mps = estimate.energy.vario_mps, estimate.diagnostics.air_up_mps
        point = self._map.update(
            inputs.frame,
            turning,
            place,
            climb_mps=climb_mps,
            air_mps=self._airmass_velocity.update(
                inputs.frame.dt_s, climb_mps, air.netto_mps, load, air_up_mps
            ),
            lag_s=lag_s,
        )
        circling = mode is Mode.CIRCLING and turning.active
        circle, shift, lift_map = self._now.circle, self._now.shift, self._now.lift_map
        if not circling:
            circle = shift = self._best = None
            self._since_fit = FIT_EVERY
        if point is not None:
            lift_map = tuple(self._map.points)
            if circling:
                circle = self._circle(turning, lag_s)
                self._since_fit += 1
                if self._since_fit >= FIT_EVERY and place is not None:
                    self._since_fit = 0
                    shift = self._shift(t_s, turning, place)
                    self._best = self._best_manoeuvre(shift, turning, estimate.energy.tas_mps)
                circle = _with_core_direction(circle, shift)
        bearing_rad = 0.0 if shift is None else shift.bearing_rad
        cue = self._cue.update(self._best, bearing_rad, turning, settings.reaction_s)
        if cue or self._now.centring_now or point is not None or circle is not self._now.circle:
            cues = self._now.centring_cues + int(cue is not None)
            self._now = Thermal(circle, shift, lift_map, centring_now=cue, centring_cues=cues)
        return self._now

    def _circle(self, turning: Turning, lag_s: float) -> Circle | None:
        # Only this turn: after a shift of the circle, the same heading is at a different place.
        points = [p for p in self._map.points if p.turning and p.t_s + lag_s >= turning.since_s]
        return circle_of(
            points,
            averaging_turns=self._settings.averaging_turns,
            least_mps=self._settings.min_asymmetry_mps,
            lag_gain=math.hypot(1.0, turning.rate_radps * lag_s),
            right=turning.rate_radps > 0.0,
            from_north=turning.from_north,
        )

    def _best_manoeuvre(
        self, shift: Shift | None, turning: Turning, tas_mps: float | None
    ) -> Manoeuvre | None:
        if shift is None or not shift.sure:
            return None
        rate_radps = abs(turning.rate_radps)
        # Without airspeed the circle is taken as flown at the bank of the settings.
        tas_mps = tas_mps or G0_MPS2 * math.tan(self._bank_rad) / max(rate_radps, 0.05)
        roll_rate_radps = self._roll_rate.learned_radps or self._settings.roll_rate_radps
        return best_manoeuvre(shift.core, tas_mps, rate_radps, roll_rate_radps, self._settings.min_gain_mps)

    def _shift(self, t_s: float, turning: Turning, place: Place) -> Shift | None:
        rows = []
        latest = self._map.points[-1].turn_angle_rad
        for point in self._map.points:
            offset = drifted_offset_m(point, place, t_s)
            if offset is not None:
                age = abs(latest - point.turn_angle_rad)
                rows.append((*offset, point.air_mps, age, point.heading_rad, point.turning))
        if not rows:
            return None
        north, east, air_mps, ages, heading, turning_then = (
            np.array(column, float) for column in zip(*rows, strict=True)
        )
        turn = (ages < math.tau) & (turning_then > 0.0)
        if np.count_nonzero(turn) < LEAST_TURN * math.tau / STEP_RAD:
            return None
        steady = _steady(self._map.points)
        if steady < FEWEST_STEADY:
            return None
        middle_n, middle_e = _middle(
            north[-steady:], east[-steady:], heading[-steady:], right=turning.rate_radps > 0.0
        )
        weight = (
            np.exp(-ages / (math.tau * self._settings.averaging_turns)) * FRESH_PER_TURN * STEP_RAD / math.tau
        )
        core = fit_core(north - middle_n, east - middle_e, air_mps, weight)
        if core is None:
            return None
        distance_m = math.hypot(core.north_m, core.east_m)
        bearing = math.atan2(core.east_m, core.north_m) % math.tau
        return Shift(
            distance_m,
            bearing,
            core.sigma_m,
            _is_sure(core, distance_m),
            turning.from_north,
            core,
        )


def _is_sure(core: Core, distance_m: float) -> bool:
    """Whether direction and distance of the core are known well enough to advise a shift."""
    clear = distance_m > CLEAR_SIGMAS * core.across_m
    most_m = CLEAR_SIGMA_M if clear else MOST_SIGMA_M
    return distance_m > max(LEAST_SHIFT_M, ACROSS_SIGMAS * core.across_m) and core.sigma_m <= most_m


def _steady(points: Sequence[LiftPoint]) -> int:
    """How many of the latest points, at most of one turn, lie on the present circle."""
    latest: float | None = None
    count = 0
    for newer, older in pairwise(reversed(points)):
        turned = newer.turn_angle_rad - older.turn_angle_rad
        elapsed_s = newer.t_s - older.t_s
        if elapsed_s <= 0.0 or older.place is None or count * STEP_RAD >= math.tau:
            break
        rate = turned / elapsed_s
        latest = rate if latest is None else latest
        if abs(rate - latest) > STEADY * abs(latest):
            break
        count += 1
    return count


def _middle(north: Floats, east: Floats, heading: Floats, *, right: bool) -> tuple[float, float]:
    """The middle of a circle by least squares from places and headings; a part of the circle is enough."""
    quarter = math.pi / 2 if right else -math.pi / 2
    ones, zeros = np.ones_like(heading), np.zeros_like(heading)
    rows = np.block(
        [
            [ones[:, None], zeros[:, None], -np.cos(heading + quarter)[:, None]],
            [zeros[:, None], ones[:, None], -np.sin(heading + quarter)[:, None]],
        ]
    )
    found = np.linalg.lstsq(rows, np.concatenate((north, east)), rcond=None)[0]
    return float(found[0]), float(found[1])


def _with_core_direction(circle: Circle | None, shift: Shift | None) -> Circle | None:
    """The circle with its strongest direction taken from the fitted core, if the core is off the middle.

    The fit models the shape of the lift and a moving circle; the wave over heading does neither. The distance
    of the core may be uncertain while its direction is known: only the uncertainty across the direction
    matters here.
    """
    if circle is None or circle.strongest_heading_rad is None or shift is None:
        return circle
    if shift.distance_m < ACROSS_SIGMAS * shift.core.across_m:
        return circle
    quarter = math.pi / 2 if circle.right else -math.pi / 2
    return replace(
        circle,
        strongest_heading_rad=(shift.bearing_rad + quarter) % math.tau,
        roll_out_heading_rad=shift.bearing_rad,
    )
