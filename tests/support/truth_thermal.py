"""Flights with known truth in smooth and turbulent thermals, for the logic of circling.

The air is a Gaussian updraft, or that of M. J. Allen, "Updraft Model for Development of Autonomous Soaring
Uninhabited Air Vehicles" (AIAA 2006-1510), drifting with the wind; the glider and its sensors are those of
`truth_flight`. Details are drawn from a seed.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.support.truth_air import PRELUDE_S, Scene, Wish
from tests.support.truth_dynamics import RATE_HZ, integrate
from tests.support.truth_flight import Flight, Sensors, sense

Updraft = Callable[[float], float]
"""Rise of the air, m/s, by distance from the core, m."""


def gaussian(strength_mps: float, radius_m: float, sink_mps: float = 0.0) -> Updraft:
    """The exponential profile with a sink around it."""
    return lambda d: (strength_mps + sink_mps) * math.exp(-((d / radius_m) ** 2)) - sink_mps


def allen(scale_mps: float, top_m: float, height_m: float, width: float = 1.0) -> Updraft:
    """The mean updraft of the model's equations at one height (shape row of r1/r2 at 0.14 to 0.8)."""
    rows = (
        (0.195, 1.5352, 2.5826, -0.0113, -0.1950),
        (0.305, 1.5265, 3.6054, -0.0176, -0.1265),
        (0.415, 1.4866, 4.8356, -0.0320, -0.0818),
        (0.525, 1.2042, 7.7904, 0.0848, -0.0445),
        (0.635, 0.8816, 13.9720, 0.3404, -0.0216),
        (0.745, 0.7067, 23.9940, 0.5689, -0.0099),
        (math.inf, 0.6189, 42.7965, 0.7157, -0.0033),
    )
    z = height_m / top_m
    mean = scale_mps * z ** (1 / 3) * (1 - 1.1 * z)
    r2 = max(10.0, 0.102 * z ** (1 / 3) * (1 - 0.25 * z) * top_m)
    ratio = 0.0011 * r2 + 0.14 if r2 < 600 else 0.8
    core = 3 * mean * (ratio**2 * (1 - ratio)) / (ratio**2 * (1 - ratio**3))
    _, k1, k2, k3, k4 = next(row for row in rows if ratio < row[0])

    def updraft(d: float) -> float:
        x = d / (r2 * width)
        return max(0.0, 1 / (1 + (k1 * abs(x + k3)) ** k2) + k4 * x) * core

    return updraft


@dataclass(frozen=True, slots=True)
class ThermalFlight:
    """A flight and the position of its core: metres north and east at time 0, drifting with the wind."""

    flight: Flight
    core_m: tuple[float, float]
    wind_mps: tuple[float, float]
    begin_s: float

    def core_at(self, t_s: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The position of the core at each time."""
        return self.core_m[0] + self.wind_mps[0] * t_s, self.core_m[1] + self.wind_mps[1] * t_s


SETTLE_S = 45.0
"""The circle is flown in still air for this long, so that its middle is known when the thermal begins."""


@dataclass(frozen=True, slots=True)
class Plan:
    """A thermal and the flight in it.

    Either the glider circles, and after `SETTLE_S` a thermal sets in whose core lies `offset_m` from the
    middle of the circle in direction `towards_rad`; or, with `ahead_m` given, the thermal is there from the
    beginning, that far ahead in the direction flown and `miss_m` to the right, and `options` says what the
    pilot does.
    """

    updraft: Updraft
    offset_m: float = 0.0
    towards_rad: float = 0.0
    bank_rad: float = 0.61
    tas_mps: float = 23.0
    wind_mps: tuple[float, float] = (0.0, 0.0)
    turbulence_mps: float = 0.0
    duration_s: float = 180.0
    options: Callable[[float, float], Wish] | None = None
    ahead_m: float | None = None
    miss_m: float = 0.0


class _Air:
    """The air of a plan; it records where the glider circles."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._middle = Middle(plan.tas_mps, plan.bank_rad)
        self.core_m: tuple[float, float] | None = None
        """The core at the end of the prelude."""
        self._before_m = (0.0, 0.0)

    def __call__(self, t: float, north_m: float, east_m: float) -> tuple[float, float, float]:
        plan = self._plan
        wind_n, wind_e = plan.wind_mps
        north_m, east_m = north_m - wind_n * t, east_m - wind_e * t
        if t < 0.0:
            self._before_m = north_m, east_m
            return wind_n, wind_e, 0.0
        if self.core_m is None and plan.ahead_m is not None:
            way = math.atan2(east_m - self._before_m[1], north_m - self._before_m[0])
            self.core_m = (
                north_m + plan.ahead_m * math.cos(way) - plan.miss_m * math.sin(way),
                east_m + plan.ahead_m * math.sin(way) + plan.miss_m * math.cos(way),
            )
        if self.core_m is None:
            self._middle.take(north_m, east_m)
            if t < SETTLE_S:
                return wind_n, wind_e, 0.0
            middle_n, middle_e = self._middle.value()
            self.core_m = (
                middle_n + plan.offset_m * math.cos(plan.towards_rad),
                middle_e + plan.offset_m * math.sin(plan.towards_rad),
            )
        distance = math.hypot(north_m - self.core_m[0], east_m - self.core_m[1])
        set_in = 1.0 if plan.ahead_m is not None else min(1.0, (t - SETTLE_S) / 4.0)
        return wind_n, wind_e, set_in * plan.updraft(distance)


class Middle:
    """The mean position over the last turn of a steady circle."""

    def __init__(self, tas_mps: float, bank_rad: float) -> None:
        turn_s = math.tau * tas_mps / (9.80665 * math.tan(abs(bank_rad)))
        self._places: deque[tuple[float, float]] = deque(maxlen=round(turn_s * RATE_HZ))

    def take(self, north_m: float, east_m: float) -> None:
        self._places.append((north_m, east_m))

    def value(self) -> tuple[float, float]:
        north_m, east_m = np.mean(self._places, axis=0)
        return float(north_m), float(east_m)


def fly_plan(plan: Plan, glider: str, seed: int) -> ThermalFlight:
    """Run the flight. The prelude is that of every flight of `truth_air`; the wind blows from the
    beginning.
    """
    wish = Wish(bank_rad=plan.bank_rad, tas_mps=plan.tas_mps)
    air = _Air(plan)
    scene = Scene(
        plan.options or (lambda _t, _lift: wish),
        air,
        plan.turbulence_mps,
        tas_mps=plan.tas_mps,
        duration_s=PRELUDE_S + plan.duration_s,
    )
    truth = integrate(glider, scene, np.random.default_rng([seed, 2]))
    flight = sense("thermal", scene, truth, Sensors(), seed)
    assert air.core_m is not None
    start = (
        air.core_m[0] - plan.wind_mps[0] * PRELUDE_S,
        air.core_m[1] - plan.wind_mps[1] * PRELUDE_S,
    )
    settle_s = 0.0 if plan.ahead_m is not None else SETTLE_S
    return ThermalFlight(flight, start, plan.wind_mps, PRELUDE_S + settle_s)


def circle_middles(found: ThermalFlight, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """The middle of the last full turn at each time, relative to the core, north and east; (n, 2).

    NaN before a full turn has been flown.
    """
    truth = found.flight.truth
    core_n, core_e = found.core_at(truth["t_s"])
    place = np.stack([truth["north_m"] - core_n, truth["east_m"] - core_e], axis=1)
    heading = np.unwrap(truth["heading_rad"])
    sums = np.vstack([np.zeros(2), np.cumsum(place, axis=0)])
    middles = np.full((len(t_s), 2), np.nan)
    for k, now_s in enumerate(t_s):
        end = min(round(now_s * RATE_HZ), len(heading) - 1)
        back = np.flatnonzero(np.abs(heading[end] - heading[:end]) >= math.tau)
        if back.size:
            middles[k] = (sums[end] - sums[back[-1]]) / (end - back[-1])
    return middles


def strongest_headings(found: ThermalFlight, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """The direction of flight at which the glider last passed the core nearest, within a turn; rad.

    In an updraft that decreases with distance, the lift was strongest there. NaN before a full turn.
    """
    truth = found.flight.truth
    core_n, core_e = found.core_at(truth["t_s"])
    distance = np.hypot(truth["north_m"] - core_n, truth["east_m"] - core_e)
    way = np.unwrap(np.arctan2(truth["east_mps"] - found.wind_mps[1], truth["north_mps"] - found.wind_mps[0]))
    best = np.full(len(t_s), np.nan)
    for k, now_s in enumerate(t_s):
        end = min(round(now_s * RATE_HZ), len(way) - 1)
        back = np.flatnonzero(np.abs(way[end] - way[:end]) >= math.tau)
        if back.size:
            begin = int(back[-1])
            # Mean direction of the nearest tenth of the path, because a flat minimum is not well defined.
            near = begin + np.argsort(distance[begin:end])[: (end - begin) // 10]
            best[k] = math.atan2(np.sin(way[near]).mean(), np.cos(way[near]).mean())
    return best
