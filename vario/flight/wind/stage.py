"""Wind, heading and the scale of the airspeed, from GNSS velocity, airspeed and turn rate.

One Kalman filter (`update`) is updated with every ground velocity, together with the airspeed and the turn
angle of the same time. While the glider turns, wind, heading and scale change the ground velocity in
different ways and can be separated. In straight flight they cannot, and their uncertainty grows, as
`sigma_mps` shows.

Where the inertial filter of the estimator uses ground velocities, the wind is that of the inertial filter: it
follows every gust, and on flights with known truth its error is smaller (docs/accuracy.md). Heading and scale
still come from the filter here.

Without an inertial unit, only the length of the velocity through the air is used, starting with the first
circle. Without airspeed, each circle is a measurement of the wind (`circle`).
"""

from __future__ import annotations

import math
from collections import deque

from drivers.quick import dataclass
from drivers.samples import GnssVel
from vario.flight.core.low_pass import low_pass_weight
from vario.flight.inputs.channel_health import MAX_AGE_S
from vario.flight.inputs.health import Inputs
from vario.flight.motion.attitude import Attitude
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.wind.aided import AidedWind
from vario.flight.wind.circle import CircleCollector, FlownCircle
from vario.flight.wind.known import USEFUL_MPS, WindEstimate, known_part, scale_off
from vario.flight.wind.noise import WindNoise
from vario.flight.wind.state import WindState
from vario.flight.wind.update import (
    USUAL_SCALE,
    lose_heading,
    start_scale,
    take_speed,
    take_velocity,
    take_wind,
)

FORGET_S = 1800.0
"""An older wind is not given."""

IN_FLIGHT_MPS = 12.0
"""Below this airspeed the glider does not fly."""

EVERY_S = 0.18
"""Velocities closer together than this are skipped, because they add no information."""

GAP_S = 60.0
"""After this time without velocities, the turning in between is not used."""

NET_S = 30.0
"""Averaging time of the velocity relative to the air: over a turn, it averages to 0."""


@dataclass(frozen=True, slots=True)
class Wind:
    """Velocity of the air over ground, heading and airspeed scale. None: not known well enough.

    Attributes:
        north_mps, east_mps: towards north and east.
        age_s: mean age of the information on the least known direction of the wind.
        sigma_mps: one standard deviation in that direction.
        nis: normalised innovation squared, smoothed; about 1 if `sigma_mps` is correct.
        heading_rad: direction of flight through the air from true north, 0 to 2π; without a slip, that of the
            nose.
        airspeed_scale: true airspeed divided by measured airspeed, before any correction by this instrument.
            `airspeed_scale_sigma`: one standard deviation.
    """

    north_mps: float
    east_mps: float
    age_s: float
    sigma_mps: float
    nis: float | None = None
    heading_rad: float | None = None
    airspeed_scale: float | None = None
    airspeed_scale_sigma: float | None = None

    @property
    def speed_mps(self) -> float:
        """Speed of the wind."""
        return math.hypot(self.north_mps, self.east_mps)

    @property
    def from_rad(self) -> float:
        """Direction from which it blows, from true north, 0 to 2π."""
        return math.atan2(-self.east_mps, -self.north_mps) % math.tau


@dataclass(frozen=True, slots=True)
class _Moment:
    """Values of one instant, for velocities that arrive later; `stretch` counts gaps of the turn angle."""

    t_s: float
    heading_rad: float
    stretch: int | None
    level_tas_mps: float | None


class WindStage:
    """Runs the filter, and returns the parts of its state that are known well enough."""

    def __init__(self, setup: Setup) -> None:
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Nothing to configure."""

    def reset(self, reason: ResetReason) -> None:
        """After a gap the wind is kept and only ages; otherwise its age is not known and it is forgotten."""
        if reason is ResetReason.GAP:
            self._turning = False
            return
        self._state = WindState(WindNoise())
        self._circles = CircleCollector()
        self._moments: deque[_Moment] = deque()
        self._turned_rad = 0.0
        self._stretch = 0
        self._turning = False
        self._used_stretch: int | None = None
        self._height_m: float | None = None
        self._used_height_m: float | None = None
        self._used_s: float | None = None
        self._net_north_mps = self._net_east_mps = 0.0
        self._known = False
        self._found: WindEstimate | None = None
        self._aided = AidedWind()

    def update(
        self,
        inputs: Inputs,
        attitude: Attitude | None = None,
        tas_mps: float | None = None,
        height_m: float | None = None,
        aided: tuple[float, float, float] | None = None,
    ) -> Wind | None:
        """One frame; `tas_mps` is the airspeed as the sensor has it, uncorrected by `Wind.airspeed_scale`.

        `aided` is the wind of the inertial filter with its standard deviation, where it has one.
        """
        t_s = inputs.frame.t_s
        self._aided.take(aided, inputs.frame.dt_s)
        self._remember(inputs, attitude, tas_mps)
        if height_m is not None:
            self._height_m = height_m
        for sample in inputs.frame.gnss_vel:
            moment = self._at(sample.t_s)
            circle = self._circles.take(sample, moment.level_tas_mps)
            if self._take(sample, moment, circle):
                self._found = known_part(self._state) if self._known else None
        return self._output(t_s)

    def _remember(self, inputs: Inputs, attitude: Attitude | None, tas_mps: float | None) -> None:
        t_s, dt_s = inputs.frame.t_s, inputs.frame.dt_s
        if attitude is None:
            self._turning = False
        elif not self._turning:
            self._turning = True
            self._stretch += 1
        right_rad = up_rad = 0.0
        if attitude is not None:
            self._turned_rad += attitude.turn_rate_radps * dt_s
            right_rad, up_rad = attitude.path_right_rad, attitude.path_up_rad
        flying = tas_mps is not None and inputs.has_pitot and tas_mps > IN_FLIGHT_MPS
        self._moments.append(
            _Moment(
                t_s,
                self._turned_rad + right_rad,
                self._stretch if self._turning else None,
                tas_mps * math.cos(up_rad) if flying and tas_mps is not None else None,
            )
        )
        while self._moments[0].t_s < t_s - MAX_AGE_S - 0.2:
            self._moments.popleft()

    def _at(self, t_s: float) -> _Moment:
        """The moment at which a sample was taken: GNSS solutions arrive late."""
        after = self._moments[-1]
        for before in reversed(self._moments):
            if before.t_s <= t_s:
                break
            after = before
        else:
            return after
        if before is after or before.stretch != after.stretch:
            return after
        share = (t_s - before.t_s) / (after.t_s - before.t_s)
        heading_rad = before.heading_rad + share * (after.heading_rad - before.heading_rad)
        return _Moment(t_s, heading_rad, after.stretch, after.level_tas_mps)

    def _take(self, sample: GnssVel, moment: _Moment, circle: FlownCircle | None) -> bool:
        """Update the filter with a velocity; false if it came too soon after the last one."""
        dt_s = 0.0 if self._used_s is None else sample.t_s - self._used_s
        if 0.0 < dt_s < EVERY_S and circle is None:
            return False
        self._used_s = sample.t_s
        climbed_m = 0.0
        if self._height_m is not None and self._used_height_m is not None:
            climbed_m = self._height_m - self._used_height_m
        self._used_height_m = self._height_m
        self._state.predict(max(dt_s, 0.0), climbed_m, self._moved_m(sample, dt_s))
        tas_mps = moment.level_tas_mps
        if tas_mps is not None and moment.stretch is not None:
            if self._used_stretch != moment.stretch or dt_s > GAP_S:
                lose_heading(self._state)
            self._used_stretch = moment.stretch
            take_velocity(self._state, sample.north_mps, sample.east_mps, tas_mps, moment.heading_rad)
            self._known = self._known or self._state.scale_known
        elif circle is not None and (circle.tas_mps is None or not self._state.has_scale):
            self._take_circle(circle)
        elif tas_mps is not None and self._known and self._state.has_scale:
            take_speed(self._state, sample.north_mps, sample.east_mps, tas_mps)
        return True

    def _moved_m(self, sample: GnssVel, dt_s: float) -> float:
        """How far the glider has moved through the air, without circling, m."""
        wind_north, wind_east = self._state.wind_mps
        share = low_pass_weight(max(dt_s, 0.0), NET_S)
        self._net_north_mps += share * (sample.north_mps - wind_north - self._net_north_mps)
        self._net_east_mps += share * (sample.east_mps - wind_east - self._net_east_mps)
        return math.hypot(self._net_north_mps, self._net_east_mps) * max(dt_s, 0.0)

    def _take_circle(self, circle: FlownCircle) -> None:
        fit = circle.fit
        if take_wind(self._state, fit.north_mps, fit.east_mps, circle.sigma_mps):
            self._known = True
        if circle.tas_mps is not None and not self._state.has_scale:
            sigma = math.hypot(circle.sigma_mps / circle.tas_mps, 0.01)
            start_scale(self._state, fit.radius_mps / circle.tas_mps, min(sigma, USUAL_SCALE))

    def _output(self, t_s: float) -> Wind | None:
        """The output now: between two velocities, only the age and the heading change."""
        found = self._found
        mean, sigma_mps = self._aided.mean_mps, self._aided.sigma_mps
        if mean is not None and sigma_mps is not None and not scale_off(found):
            if sigma_mps > USEFUL_MPS:
                return None
            if found is None:
                return Wind(*mean, 0.0, sigma_mps)
            age_s, (north_mps, east_mps) = 0.0, mean
        elif found is None or self._used_s is None:
            return None
        else:
            age_s = self._state.age_s + t_s - self._used_s
            if age_s > FORGET_S:
                return None
            north_mps, east_mps, sigma_mps = found.north_mps, found.east_mps, found.sigma_mps
            if mean is not None:  # if the two winds differ, half of the difference adds to the uncertainty
                apart_mps = math.hypot(mean[0] - north_mps, mean[1] - east_mps)
                sigma_mps = math.hypot(sigma_mps, 0.5 * apart_mps)
        heading_rad = self._heading_rad(found)
        known = (found.nis, heading_rad, found.scale, found.scale_sigma)
        return Wind(north_mps, east_mps, age_s, sigma_mps, *known)

    def _heading_rad(self, found: WindEstimate | None) -> float | None:
        """The direction of flight now, where the turning since the last velocity is known."""
        now = self._moments[-1]
        if found is None or found.north_rad is None or now.stretch is None:
            return None
        if now.stretch != self._used_stretch:
            return None
        return (now.heading_rad + found.north_rad) % math.tau
