"""Wind from circling: the tips of the ground-velocity vectors lie on a circle around the wind.

Flown at one airspeed through all headings, ground velocity is wind plus a vector of constant length. The
centre of the circle through the tips is the wind and its radius the true airspeed, so neither compass
nor airspeed sensor is needed. Algebraic least squares: |v|² = 2·Wn·vn + 2·We·ve + const.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from drivers.samples import GnssVel
from vario.flight.health import Inputs
from vario.flight.turning import track_change_rad

KEEP_S = 45.0
"""Longest stretch a fit looks at: a slow, flat turn."""

MIN_FIXES = 8
MIN_RADIUS_MPS = 12.0
"""A smaller circle is not a flying glider."""

MAX_SCATTER_MPS = 3.0
"""RMS distance of the tips from the circle above which nothing was learnt."""

BLEND = 0.5
"""Weight of a new turn against what was known, if that is recent."""

FORGET_S = 1800.0
"""Wind older than this is not shown any more."""

STRAIGHT_RADPS = math.radians(3.0)


@dataclass(frozen=True, slots=True)
class Wind:
    """Velocity of the air over ground, how old it is and how far the last turn's fit scattered."""

    north_mps: float
    east_mps: float
    age_s: float
    scatter_mps: float


@dataclass(frozen=True, slots=True)
class CircleFit:
    """Centre, radius and RMS scatter of a circle through velocity tips, m/s."""

    north_mps: float
    east_mps: float
    radius_mps: float
    scatter_mps: float


def fit_circle(north_mps: list[float], east_mps: list[float]) -> CircleFit | None:
    """Least-squares circle through velocity tips; None if they do not determine one."""
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


class WindStage:
    """Fits a circle each time another full turn has been flown."""

    def __init__(self) -> None:
        self._fixes: deque[tuple[float, float, float, float]] = deque()
        self._turned_rad = 0.0
        self._last: GnssVel | None = None
        self._known: tuple[float, float, float] | None = None
        self._known_at_s = 0.0

    def update(self, inputs: Inputs) -> Wind | None:
        """One frame."""
        t_s = inputs.frame.t_s
        for sample in inputs.frame.gnss_vel:
            self._take(sample)
        if self._known is None or t_s - self._known_at_s > FORGET_S:
            return None
        north, east, scatter = self._known
        return Wind(north, east, t_s - self._known_at_s, scatter)

    def _take(self, sample: GnssVel) -> None:
        last, self._last = self._last, sample
        if last is None:
            return
        dt_s = sample.t_s - last.t_s
        turned = track_change_rad(last, sample)
        straight = abs(turned) < STRAIGHT_RADPS * dt_s
        reversed_ = turned * self._turned_rad < 0.0
        if dt_s > 5.0 or straight or reversed_:
            self._fixes.clear()
            self._turned_rad = 0.0
            if dt_s > 5.0 or straight:
                return
        self._turned_rad += turned
        self._fixes.append((sample.t_s, self._turned_rad, sample.north_mps, sample.east_mps))
        while sample.t_s - self._fixes[0][0] > KEEP_S:
            self._fixes.popleft()
        if abs(self._turned_rad - self._fixes[0][1]) >= math.tau and len(self._fixes) >= MIN_FIXES:
            self._fit(sample.t_s)

    def _fit(self, t_s: float) -> None:
        fit = fit_circle([fix[2] for fix in self._fixes], [fix[3] for fix in self._fixes])
        self._fixes.clear()
        self._turned_rad = 0.0
        if fit is None or fit.radius_mps < MIN_RADIUS_MPS or fit.scatter_mps > MAX_SCATTER_MPS:
            return
        north, east = fit.north_mps, fit.east_mps
        if self._known is not None and t_s - self._known_at_s < 300.0:
            north += (1 - BLEND) * (self._known[0] - north)
            east += (1 - BLEND) * (self._known[1] - east)
        self._known = (north, east, fit.scatter_mps)
        self._known_at_s = t_s
