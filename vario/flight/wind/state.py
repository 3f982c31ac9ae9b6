"""State, covariance and prediction of the wind filter; `vario.flight.wind.update` describes the model."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vario.flight.wind.noise import WindNoise

Floats = NDArray[np.float64]

SIZE = 7
N, E, A, C, B, EDDY = 0, 1, 2, 3, 4, 5
TURN = slice(2, 4)

_F_ENTRIES = np.ravel_multi_index(([A, C, A, C, EDDY, EDDY + 1], [C, A, B, B, EDDY, EDDY + 1]), (SIZE, SIZE))
"""Entries of F that are not those of the identity, in the order in which `predict` writes them."""

_Q_ENTRIES = np.ravel_multi_index(
    ([N, E, A, A, C, C, B, EDDY, EDDY + 1], [N, E, A, C, A, C, B, EDDY, EDDY + 1]), (SIZE, SIZE)
)
"""Entries of Q that are not 0, likewise."""

START_WIND_MPS = 12.0
START_SCALE = 1.2
"""Initial standard deviation of a and c: any heading, any sensible scale."""

KNOWN_SCALE = 0.1
"""The scale counts as known below this standard deviation."""


class WindState:
    """State x and covariance P, and their prediction. All angles rad, speeds m/s.

    Attributes:
        eddy_mps: strength of the eddies, learned.
        heading_lost: the relation of the turn angle to north is not known; the next velocity gives it.
        age_s: mean age of the information on the least known direction of the wind.
        last_nis: normalised innovation squared of the last measurement, over its dimension; `nis` smoothed.
        restarts: how often the filter was restarted.
    """

    def __init__(self, noise: WindNoise) -> None:
        self.noise = noise
        self.restarts = 0
        self._transition = np.eye(SIZE)
        self._process_noise = np.zeros((SIZE, SIZE))
        self.reset()

    def reset(self) -> None:
        """Start again: nothing is known."""
        self.x = np.zeros(SIZE)
        self.eddy_mps = min(max(0.5, self.noise.eddy_least_mps), self.noise.eddy_most_mps)
        self.cov = np.diag(
            [START_WIND_MPS**2] * 2
            + [START_SCALE**2] * 2
            + [self.noise.turn_rate_radps**2]
            + [self.eddy_mps**2] * 2
        )
        self.scale_hinted = False
        self.mean_direction: tuple[float, float] | None = None
        self.rejected_s = 0.0
        self.since_s = self.ran_s = 0.0
        self.heading_lost = False
        self.age_s = 0.0
        self.nis: float | None = None
        self.last_nis: float | None = None

    # --- the estimate -----------------------------------------------------------------------------

    @property
    def wind_mps(self) -> tuple[float, float]:
        """North and east."""
        return float(self.x[N]), float(self.x[E])

    @property
    def sigma_mps(self) -> float:
        """One standard deviation of the wind in its least known direction."""
        return math.sqrt(max(self.principal_axis()[0], 0.0))

    @property
    def scale(self) -> float:
        """True airspeed over measured; 0 while nothing is known."""
        return math.hypot(self.x[A], self.x[C])

    @property
    def scale_sigma(self) -> float:
        """One standard deviation of `scale`."""
        return self._along(*self.unit())

    @property
    def north_rad(self) -> float:
        """The angle to add to the summed heading to get one from true north."""
        return math.atan2(self.x[C], self.x[A])

    @property
    def north_sigma_rad(self) -> float:
        """One standard deviation of `north_rad`; infinite while nothing is known."""
        cos, sin = self.unit()
        return self._along(-sin, cos) / self.scale if self.scale > 0.0 and not self.heading_lost else math.inf

    def unit(self) -> tuple[float, float]:
        """The cosine and sine of δ; 1 and 0 while nothing is known."""
        scale = self.scale
        return (self.x[A] / scale, self.x[C] / scale) if scale > 0.0 else (1.0, 0.0)

    def _along(self, a: float, c: float) -> float:
        p = self.cov
        return math.sqrt(max(a * a * p[A, A] + 2.0 * a * c * p[A, C] + c * c * p[C, C], 0.0))

    def principal_axis(self) -> tuple[float, float, float]:
        """Largest eigenvalue of the wind's covariance and its direction."""
        p = self.cov
        nn, ee, ne = float(p[N, N]), float(p[E, E]), float(p[N, E])
        angle = 0.5 * math.atan2(2.0 * ne, nn - ee)
        value = 0.5 * (nn + ee) + math.hypot(0.5 * (nn - ee), ne)
        return value, math.cos(angle), math.sin(angle)

    @property
    def has_scale(self) -> bool:
        """Whether a and c have been estimated."""
        return self.scale > 0.3

    @property
    def scale_known(self) -> bool:
        """Whether headings have differed enough to separate the scale from the wind."""
        return self.has_scale and self.scale_sigma < KNOWN_SCALE

    # --- time passes ------------------------------------------------------------------------------

    def predict(self, dt_s: float, climbed_m: float = 0.0, moved_m: float = 0.0) -> None:
        """Predict by `dt_s`, in which the glider climbed and moved through the air."""
        n = self.noise
        wind_north, wind_east, a, c, b, eddy_north, eddy_east = self.x.tolist()
        keep = math.exp(-dt_s / n.eddy_s)
        self._transition.put(_F_ENTRIES, [-b * dt_s, b * dt_s, -c * dt_s, a * dt_s, keep, keep])
        wind = (
            n.wind_mps_per_sqrt_s**2 * dt_s
            + n.wind_mps_per_sqrt_km**2 * moved_m / 1000.0
            + n.wind_mps_per_sqrt_m**2 * abs(climbed_m)
        )
        turn = n.heading_rad_per_sqrt_s**2 * dt_s
        scale = n.scale_per_sqrt_s**2 * dt_s
        eddy = self.eddy_mps**2 * (1.0 - keep * keep)
        drift = n.turn_rate_drift**2 * dt_s
        mixed = -a * c * turn
        self._process_noise.put(
            _Q_ENTRIES,
            [wind, wind, c * c * turn + scale, mixed, mixed, a * a * turn + scale, drift, eddy, eddy],
        )
        f = self._transition
        self.cov = f.dot(self.cov).dot(f.T) + self._process_noise
        # The state is rotated exactly; F is the tangent of this rotation.
        cos, sin = math.cos(b * dt_s), math.sin(b * dt_s)
        a, c = a * cos - c * sin, c * cos + a * sin
        self.x = np.array([wind_north, wind_east, a, c, b, keep * eddy_north, keep * eddy_east])
        self.age_s += dt_s
        self.since_s = dt_s
        self.ran_s += dt_s
