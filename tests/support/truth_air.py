"""The scenes of `truth_flight`: motion of the air and actions of the pilot.

Every scene begins with the same 75 s of ordinary flight (straight, a turn in each direction), in which an
estimator may settle; the scene itself begins at `score_from_s`. Turbulence is a first-order Gauss-Markov
process per axis, the shape of Dryden's longitudinal spectrum (MIL-F-8785C): correlation length over airspeed
is the time constant.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

PRELUDE_S = 75.0


@dataclass(frozen=True, slots=True)
class Wish:
    """The intention of the pilot: a bank, and a pitch or (None) an airspeed; or a stick position."""

    bank_rad: float = 0.0
    tas_mps: float = 25.0
    pitch_rad: float | None = None
    elevator: float | None = None
    roll: float | None = None


Field = Callable[[float, float, float], tuple[float, float, float]]
"""Air motion north, east, up (m/s) as a function of time (s), north and east (m)."""


@dataclass(slots=True)
class Scene:
    """A scene; `options` takes time since the prelude and the lift the glider is in."""

    options: Callable[[float, float], Wish]
    wind: Field = lambda _t, _n, _e: (0.0, 0.0, 0.0)
    turbulence_mps: float = 0.0
    length_m: float = 150.0
    tas_mps: float = 25.0
    altitude_m: float = 2500.0
    duration_s: float = PRELUDE_S + 180.0
    score_from_s: float = PRELUDE_S
    _eddy: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])

    def air(
        self, t_s: float, place_m: Sequence[float], tas_mps: float, rng: np.random.Generator, dt_s: float
    ) -> tuple[float, float, float]:
        """Air motion at the glider now (north, east, up, m/s); advances the turbulence by one step."""
        steady = self.wind(t_s - PRELUDE_S, *place_m)
        if self.turbulence_mps == 0.0:
            return steady
        keep = math.exp(-dt_s * max(tas_mps, 5.0) / self.length_m)
        kick = self.turbulence_mps * math.sqrt(1.0 - keep * keep)
        self._eddy = [
            keep * e + kick * z for e, z in zip(self._eddy, rng.standard_normal(3).tolist(), strict=True)
        ]
        return steady[0] + self._eddy[0], steady[1] + self._eddy[1], steady[2] + self._eddy[2]

    def wish(self, t_s: float, lift_mps: float) -> Wish:
        """The present intention of the pilot."""
        if t_s < PRELUDE_S:
            turn = 0.5 if 15.0 < t_s < 32.0 else -0.5 if 40.0 < t_s < 57.0 else 0.0
            return Wish(bank_rad=turn, tas_mps=self.tas_mps)
        return self.options(t_s - PRELUDE_S, lift_mps)


def _speed_changes(rng: np.random.Generator) -> Scene:
    """Still air, straight: pull-ups and push-overs between slow and fast, gentle to vigorous."""
    starts = np.cumsum(rng.uniform(7.0, 14.0, size=40))
    speeds = np.where(
        np.arange(40) % 2 == 0, rng.uniform(32.0, 38.0, size=40), rng.uniform(21.0, 25.0, size=40)
    )
    return Scene(lambda t, _lift: Wish(tas_mps=float(speeds[np.searchsorted(starts, t)])))


def _streets(rng: np.random.Generator) -> Scene:
    """Straight through streets of lift and sink a few hundred metres long, slowing in the lift."""
    lengths, phases = rng.uniform(300.0, 900.0, size=3), rng.uniform(0.0, 2.0 * math.pi, size=3)
    sizes = rng.uniform(0.8, 1.6, size=3)

    def wind(_t: float, north_m: float, _east_m: float) -> tuple[float, float, float]:
        return 0.0, 0.0, float(np.sum(sizes * np.sin(2.0 * math.pi * north_m / lengths + phases)))

    return Scene(lambda _t, lift: Wish(tas_mps=27.0 - 1.2 * lift), wind, 0.2, tas_mps=27.0)


def _gust_steps(rng: np.random.Generator) -> Scene:
    """Straight; every 12 to 20 s the head wind changes by 4 m/s within half a second."""
    starts = np.cumsum(rng.uniform(12.0, 20.0, size=20))
    signs = np.where(np.arange(20) % 2 == 0, 1.0, -1.0) * rng.choice([-1.0, 1.0])

    def wind(t: float, _n: float, _e: float) -> tuple[float, float, float]:
        return float(np.sum(4.0 * signs * np.clip((t - starts) / 0.5, 0.0, 1.0))), 0.0, 0.0

    return Scene(lambda _t, _lift: Wish(tas_mps=27.0), wind, tas_mps=27.0)


def _turbulence(_rng: np.random.Generator) -> Scene:
    """Straight, then circling, in strong turbulence on all axes."""
    return Scene(lambda t, _lift: Wish(bank_rad=0.0 if t < 90.0 else 0.5), turbulence_mps=1.2)


def _thermal(rng: np.random.Generator) -> Scene:
    """Twenty turns in a Gaussian thermal that drifts with 6 m/s of wind, core off centre, bumpy."""
    towards, off = rng.uniform(0.0, 2.0 * math.pi), rng.uniform(0.0, 2.0 * math.pi)
    wind_n, wind_e = 6.0 * math.cos(towards), 6.0 * math.sin(towards)
    core: list[float] = []

    def wind(t: float, north_m: float, east_m: float) -> tuple[float, float, float]:
        if t < 0.0:
            return wind_n, wind_e, 0.0
        if not core:  # the circle begins here: its centre is about 100 m to the right, the core near it
            core.extend((north_m + 40.0 * math.cos(off), east_m + 95.0 + 40.0 * math.sin(off)))
        north_m, east_m = north_m - core[0] - wind_n * t, east_m - core[1] - wind_e * t
        return wind_n, wind_e, 4.0 * math.exp(-(north_m**2 + east_m**2) / 160.0**2) - 0.5

    wish = Wish(bank_rad=0.61, tas_mps=23.0)  # 21 s a turn
    return Scene(lambda _t, _lift: wish, wind, 0.3, tas_mps=23.0, duration_s=PRELUDE_S + 450.0)


def _rough_handling(_rng: np.random.Generator) -> Scene:
    """Steep turn of 60 degrees, stall and recovery, fast rolls, a steep climb: the test of the attitude."""

    def options(t: float, _lift: float) -> Wish:
        if t < 30.0:
            return Wish(bank_rad=1.05, tas_mps=31.0)
        if t < 45.0:
            return Wish(tas_mps=26.0)
        if t < 60.0:
            return Wish(pitch_rad=0.26 if t < 53.0 else 0.4)
        if t < 80.0:
            return Wish(tas_mps=27.0)
        if t < 100.0:
            return Wish(bank_rad=0.9 if (t // 4.0) % 2 else -0.9, tas_mps=28.0)
        return Wish(tas_mps=26.0)

    return Scene(options, duration_s=PRELUDE_S + 140.0)


SCENES: Mapping[str, Callable[[np.random.Generator], Scene]] = MappingProxyType(
    {
        "speed_changes": _speed_changes,
        "streets": _streets,
        "gust_steps": _gust_steps,
        "turbulence": _turbulence,
        "thermal": _thermal,
        "rough_handling": _rough_handling,
    }
)
"""Every scene by name: a function that draws its details from a generator."""
