"""Wind from the ground velocities of one circle: their tips lie on a circle around the wind.

At constant airspeed, the ground velocity is the wind plus a vector of constant length. The centre of the
circle through the tips is the wind, and its radius is the true airspeed, so neither compass nor airspeed
sensor is needed. Algebraic least squares: |v|² = 2·Wn·vn + 2·We·ve + const.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from drivers.quick import dataclass
from drivers.samples import GnssVel
from vario.flight.motion.turning import track_change_rad

KEEP_S = 45.0
"""Longest time used for a fit: a slow, flat turn."""

MIN_FIXES = 8
MIN_RADIUS_MPS = 12.0
"""A smaller radius is not the airspeed of a flying glider."""

MAX_SCATTER_MPS = 3.0
"""A fit with a larger RMS distance of the tips from the circle is not used."""

EDDY_S = 5.4
"""Correlation time of the airspeed of a circling flyer. Soaring storks: correlation 0.83 from a second to the
next (vignette of the R package moveWindSpeed), which is exp(-1 s/5.4 s)."""

LEAST_SIGMA_MPS = 1.2
"""Least standard deviation, however small the scatter is: if the lift changes with the heading, the airspeed
changes with it in each turn, and this moves the centre by up to 1 m/s (seen in flights with a known
truth)."""

_GAP_S = 5.0
_STRAIGHT_RADPS = math.radians(3.0)


@dataclass(frozen=True, slots=True)
class CircleFit:
    """Centre, radius and RMS scatter of a circle through velocity tips, m/s."""

    north_mps: float
    east_mps: float
    radius_mps: float
    scatter_mps: float


def fit_circle(north_mps: list[float], east_mps: list[float]) -> CircleFit | None:
    """Least-squares circle through velocity tips; None if they do not determine a circle."""
    n, e = np.array(north_mps), np.array(east_mps)
    rows = np.column_stack((2 * n, 2 * e, np.ones_like(n)))
    solution, _, rank, _ = np.linalg.lstsq(rows, n * n + e * e, rcond=None)
    if rank < 3:
        return None
    wind_n, wind_e, constant = (float(value) for value in solution)
    squared = constant + wind_n**2 + wind_e**2
    if squared <= 0.0:
        return None
    radius = math.sqrt(squared)
    distances = np.hypot(n - wind_n, e - wind_e) - radius
    return CircleFit(wind_n, wind_e, radius, float(np.sqrt(np.mean(distances**2))))


def fit_sigma_mps(scatter_mps: float, duration_s: float) -> float:
    """One standard deviation of each wind component from a full circle.

    White errors of size s in N fixes give s·√(2/N) (the Cramér-Rao bound of a circle's centre). Errors that
    last `EDDY_S` leave one independent fix in twice that time.
    """
    independent = max(1.0, duration_s / (2.0 * EDDY_S))
    return max(LEAST_SIGMA_MPS, scatter_mps * math.sqrt(2.0 / independent))


@dataclass(frozen=True, slots=True)
class FlownCircle:
    """A circle just completed: its fit, its duration, and the mean airspeed if it was measured all along."""

    fit: CircleFit
    sigma_mps: float
    tas_mps: float | None


@dataclass(frozen=True, slots=True)
class _Tip:
    t_s: float
    turned_rad: float
    north_mps: float
    east_mps: float
    tas_mps: float | None


class CircleCollector:
    """Collects velocities and fits a circle each time another full turn has been flown."""

    def __init__(self) -> None:
        self._fixes: deque[_Tip] = deque()
        self._turned_rad = 0.0
        self._last: GnssVel | None = None

    def take(self, sample: GnssVel, tas_mps: float | None) -> FlownCircle | None:
        """One velocity with the airspeed of the same moment."""
        last, self._last = self._last, sample
        if last is None:
            return None
        dt_s = sample.t_s - last.t_s
        turned = track_change_rad(last, sample)
        broken = dt_s > _GAP_S or abs(turned) < _STRAIGHT_RADPS * dt_s
        if broken or turned * self._turned_rad < 0.0:
            self._clear()
        if broken:
            return None
        self._turned_rad += turned
        self._fixes.append(_Tip(sample.t_s, self._turned_rad, sample.north_mps, sample.east_mps, tas_mps))
        while sample.t_s - self._fixes[0].t_s > KEEP_S:
            self._fixes.popleft()
        whole = abs(self._turned_rad - self._fixes[0].turned_rad) >= math.tau
        return self._fit() if whole and len(self._fixes) >= MIN_FIXES else None

    def _fit(self) -> FlownCircle | None:
        fixes = list(self._fixes)
        self._clear()
        fit = fit_circle([fix.north_mps for fix in fixes], [fix.east_mps for fix in fixes])
        if fit is None or fit.radius_mps < MIN_RADIUS_MPS or fit.scatter_mps > MAX_SCATTER_MPS:
            return None
        speeds = [fix.tas_mps for fix in fixes if fix.tas_mps is not None]
        return FlownCircle(
            fit,
            fit_sigma_mps(fit.scatter_mps, fixes[-1].t_s - fixes[0].t_s),
            math.fsum(speeds) / len(speeds) if len(speeds) == len(fixes) else None,
        )

    def _clear(self) -> None:
        self._fixes.clear()
        self._turned_rad = 0.0
