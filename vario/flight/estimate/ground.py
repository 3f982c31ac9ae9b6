"""Velocity over ground in the inertial filter: heading, wind, and the latency of the velocity.

A GNSS velocity is some tenths of a second old. The delay is not stated, so the latency L is a state. The
change of velocity since then is known from the inertial unit, and is subtracted:

    z = n·v + W_n - (S(t) - S(t - L))        row: v × n for the tilt, n for v, 1 for the wind, -a(t - L) for L

with n the direction of north in body axes, W the wind, S the sum of n·f over time; likewise for east. North
and east are enough; the vertical velocity of common receivers is poor, and the barometer is more accurate.

The first velocity gives the heading, along the track, with a large variance of the wind. A velocity that does
not fit is rejected. If none has fitted for some seconds, heading and wind are initialised again, and the
attitude is kept.
"""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from vario.flight.core.innovation import Innovation
from vario.flight.core.vectors import Vector, cross, dot, level
from vario.flight.estimate.inertial_model import LATE, PSI, SIZE, WIND, V
from vario.flight.estimate.sequential_update import SequentialUpdate

if TYPE_CHECKING:
    from vario.flight.estimate.inertial_state import InertialState

REJECT_NIS = 25.0
"""A velocity that differs by more than this many standard deviations is rejected."""

RESTART_S = 8.0
"""If no velocity has fitted for this long, heading and wind are wrong."""

SETTLE_S = 5.0
"""For this time after the first velocity none is rejected, because its heading was only a guess."""

SLOWEST_MPS = 10.0
"""A track slower than this gives no heading."""

KNOWN_S = 3.0
"""If there is no velocity for this long, the wind may have changed."""


def velocity_rows(
    air: Vector, north: Vector, east: Vector, faster_mps2: tuple[float, float]
) -> NDArray[np.float64]:
    """Rows of a velocity over ground, north and east, shape (2, SIZE).

    `faster_mps2`: acceleration north and east at the time of the velocity.
    """
    rows = np.zeros((2, SIZE))
    rows[0, PSI : PSI + 3], rows[1, PSI : PSI + 3] = cross(air, north), cross(air, east)
    rows[0, V : V + 3], rows[1, V : V + 3] = north, east
    rows[0, WIND] = rows[1, WIND + 1] = 1.0
    rows[0, LATE], rows[1, LATE] = -faster_mps2[0], -faster_mps2[1]
    return rows


class Ground:
    """Velocities over ground, and the acceleration over ground that extrapolates them to the present.

    Attributes:
        known: whether there is a heading.
        age_s: time since a velocity was used.
    """

    def __init__(self) -> None:
        self.known = False
        self._clock_s = self._used_s = self._found_s = self._rejected_s = 0.0
        self._sum = (0.0, 0.0)
        self._track: deque[tuple[float, float, float]] = deque(maxlen=80)
        self._waiting: list[tuple[float, float, float]] = []

    @property
    def age_s(self) -> float:
        """Time since a velocity was used."""
        return self._clock_s - self._used_s

    @property
    def in_use(self) -> bool:
        """Whether velocities determine the wind now."""
        return self.known and self._clock_s - self._used_s < KNOWN_S

    def reset(self) -> None:
        """The filter was aligned again: heading and sums are not valid any more."""
        self.known = False
        self._track.clear()
        self._waiting.clear()

    def add_step(self, north: Vector, down: Vector, force: Vector, dt_s: float) -> None:
        """Add a step's acceleration over ground."""
        north_mps, east_mps = self._sum
        north_mps += dt_s * dot(north, force)
        east_mps += dt_s * dot(cross(down, north), force)
        self._sum = (north_mps, east_mps)
        self._clock_s += dt_s
        self._track.append((self._clock_s, north_mps, east_mps))

    def store(self, north_mps: float, east_mps: float, age_s: float) -> None:
        """Store a velocity measured `age_s` ago for the next correction."""
        self._waiting.append((north_mps, east_mps, self._clock_s - age_s))

    def discard(self) -> None:
        """Discard stored velocities: on the ground they do not determine the wind."""
        self._waiting.clear()

    def correct(
        self, state: InertialState, step: NDArray[np.float64], considered: tuple[int, ...] = ()
    ) -> None:
        """Use the stored velocities: add to the correction `step`, change the covariance of the state.

        `considered`: states that are not corrected.
        """
        for velocity in self._waiting:
            update = self._correct(state, step, *velocity)
            if update is not None:
                update.finish(considered)
        self._waiting.clear()

    def _since(self, then_s: float) -> tuple[float, float, tuple[float, float]] | None:
        """Change of velocity since a time, and acceleration at that time; None if it is too long ago."""
        track = self._track
        if len(track) < 4 or then_s < track[0][0]:
            return None
        k = len(track) - 2
        while k > 1 and track[k][0] > then_s:
            k -= 1
        (t0, n0, e0), (t1, n1, e1) = track[k], track[k + 1]
        faster_north, faster_east = (n1 - n0) / (t1 - t0), (e1 - e0) / (t1 - t0)
        north, east = self._sum
        part_s = then_s - t0
        faster = (faster_north, faster_east)
        return north - n0 - faster_north * part_s, east - e0 - faster_east * part_s, faster

    def velocity_change(self, from_s: float, to_s: float) -> tuple[float, float] | None:
        """Change of velocity between two times relative to now, north and east; None if too long ago."""
        first, last = self._since(self._clock_s + from_s), self._since(self._clock_s + to_s)
        if first is None or last is None:
            return None
        return first[0] - last[0], first[1] - last[1]

    def _correct(
        self,
        state: InertialState,
        step: NDArray[np.float64],
        north_mps: float,
        east_mps: float,
        stamp_s: float,
    ) -> SequentialUpdate | None:
        """Prepare the update with a velocity; None if it is not used."""
        since = self._since(stamp_s - state.gnss_latency_s)
        if since is None:
            return None
        n, v = state.noise, state.air
        north_mps, east_mps = north_mps + since[0], east_mps + since[1]
        if not self.known and not self._find_heading(state, north_mps, east_mps):
            return None
        north, east = state.north, state.east
        since_s = min(max(self._clock_s - self._used_s, 0.05), 2.0)
        update = SequentialUpdate(state.cov, velocity_rows(v, north, east, since[2]), step)
        variance = n.gnss_mps**2 + n.gnss_mps_sqrt_s**2 / since_s
        residuals = (
            north_mps - dot(north, v) - state.wind_mps[0],
            east_mps - dot(east, v) - state.wind_mps[1],
        )
        fits = True
        for k, name in enumerate(("north", "east")):
            innovation = residuals[k] - update.expected(k)
            s = update.predicted_variance(k) + variance
            fits = fits and innovation * innovation < REJECT_NIS * s
            found = Innovation(innovation, s, used=fits)
            state.note(name, found, found.nis, since_s)
        if not fits and self._clock_s > self._found_s + SETTLE_S:
            self._rejected_s += since_s
            if self._rejected_s > RESTART_S:
                self.known = False
                self._rejected_s = 0.0
            return None
        self._rejected_s, self._used_s = 0.0, self._clock_s
        for k in range(2):
            update.use(k, residuals[k] - update.expected(k), update.predicted_variance(k) + variance)
        return update

    def _find_heading(self, state: InertialState, north_mps: float, east_mps: float) -> bool:
        """Initialise the heading along the track, with unknown wind; False if there is no track."""
        speed = math.hypot(north_mps, east_mps)
        if speed < SLOWEST_MPS:
            return False
        along = level(state.down, state.air)
        right = cross(state.down, along)
        cos, sin = north_mps / speed, east_mps / speed
        state.north = (
            cos * along[0] - sin * right[0],
            cos * along[1] - sin * right[1],
            cos * along[2] - sin * right[2],
        )
        self._track.clear()  # its directions were relative to another north
        down = np.array(state.down)
        about_down = np.outer(down, down)
        keep = np.eye(SIZE)
        keep[PSI : PSI + 3, PSI : PSI + 3] -= about_down
        keep[WIND, WIND] = keep[WIND + 1, WIND + 1] = 0.0
        cov = keep @ state.cov @ keep.T
        cov[PSI : PSI + 3, PSI : PSI + 3] += state.noise.heading_rad**2 * about_down
        cov[WIND, WIND] = cov[WIND + 1, WIND + 1] = state.noise.wind_mps**2
        state.cov = cov
        state.wind_mps = (0.0, 0.0)
        self.known, self._found_s = True, self._clock_s
        return True
