"""Flights for scoring the estimator: scenes, airframes and sensors on which no constant was chosen.

Two gliders of the general flight-dynamics library fly each scene (`truth_dynamics` integrates them). The
sensors are drawn anew for every run: from the ranges of `drawn`, or with the errors of `described`. A GNSS
velocity has the time of its arrival, as in an instrument; its delay is not stated.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Pitot, Sample
from tests.support.estimator_tow import towed_flight
from tests.support.truth_air import PRELUDE_S, SCENES, Scene, Wish
from tests.support.truth_dynamics import RATE_HZ, integrate
from tests.support.truth_flight import flown_once

Floats = NDArray[np.float64]

TOW_S = 240.0
"""Remaining duration of the tow when the instrument is switched on."""


# --- scenes -----------------------------------------------------------------------------------------------


def _constant(rng: np.random.Generator) -> Scene:
    """Still air, straight, a new speed every 40 s."""
    speeds = rng.permutation([22.0, 25.0, 28.0, 32.0, 36.0])
    return Scene(lambda t, _lift: Wish(tas_mps=float(speeds[min(int(t / 40.0), 4)])))


def _wind_steps(rng: np.random.Generator) -> Scene:
    """Straight; every 10 to 18 s head or cross wind changes by 4 m/s in half a second; shear."""
    starts = np.cumsum(rng.uniform(10.0, 18.0, size=20))
    signs = rng.choice([-1.0, 1.0], size=20)
    across = rng.random(20) < 0.4
    shear = rng.uniform(0.01, 0.02)  # m/s a metre

    def wind(t: float, _n: float, _e: float) -> tuple[float, float, float]:
        share = 4.0 * signs * np.clip((t - starts) / 0.5, 0.0, 1.0)
        # The glider sinks by about a metre a second: the height's share of the wind as a share of time.
        grown = -shear * max(t, 0.0)
        return float(np.sum(share[~across])) + grown, float(np.sum(share[across])), 0.0

    return Scene(lambda t, _lift: Wish(tas_mps=27.0 if (t // 30.0) % 2 else 31.0), wind, tas_mps=27.0)


def _rough(_rng: np.random.Generator) -> Scene:
    """Rough air: straight, S-turns, a search circle each way, straight again."""

    def options(t: float, _lift: float) -> Wish:
        if t < 30.0 or t > 150.0:
            return Wish()
        if t < 80.0:
            return Wish(bank_rad=0.55 if (t // 8.0) % 2 else -0.55)
        return Wish(bank_rad=0.6 if t < 115.0 else -0.5)

    return Scene(options, turbulence_mps=1.2)


def _hour(rng: np.random.Generator, length_s: float = 3600.0) -> Scene:
    """Begun in tow: then glides, streets, circles and wind that changes, in bumpy air."""
    towards = rng.uniform(0.0, 2.0 * math.pi)
    lengths, phases = rng.uniform(400.0, 1500.0, size=3), rng.uniform(0.0, 2.0 * math.pi, size=3)

    def wind(t: float, north_m: float, east_m: float) -> tuple[float, float, float]:
        speed = 5.0 + 2.0 * math.sin(t / 400.0)
        up = float(np.sum(0.7 * np.sin(2.0 * math.pi * (north_m + 0.5 * east_m) / lengths + phases)))
        return speed * math.cos(towards), speed * math.sin(towards), up

    def options(t: float, lift: float) -> Wish:
        t += PRELUDE_S
        if t < TOW_S:
            return Wish(bank_rad=0.25 if 60.0 < t < 120.0 else 0.0, tas_mps=30.0)
        into = (t - TOW_S) % 600.0
        if 250.0 < into < 500.0:
            return Wish(bank_rad=0.6 if (t // 600.0) % 2 else -0.6, tas_mps=24.0)
        return Wish(bank_rad=0.4 if into < 15.0 else 0.0, tas_mps=29.0 - 1.5 * lift)

    return Scene(options, wind, 0.4, tas_mps=30.0, altitude_m=1500.0, duration_s=length_s, score_from_s=60.0)


def _short_hour(rng: np.random.Generator) -> Scene:
    return _hour(rng, 900.0)


NEW_SCENES: Mapping[str, Callable[[np.random.Generator], Scene]] = MappingProxyType(
    {
        "constant": _constant,
        "pull_ups": SCENES["speed_changes"],
        "streets": SCENES["streets"],
        "thermal": SCENES["thermal"],
        "wind_steps": _wind_steps,
        "rough": _rough,
        "hour": _hour,
        "quarter": _short_hour,
    }
)
"""The scenes by name; the quarter of an hour is the beginning of the hour, for tuning."""

TOWED = ("hour", "quarter")


# --- sensors ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fitted:
    """The errors of a set of sensors, which the instrument does not know."""

    baro_lag_s: float
    pitot_lag_s: float
    pitot_offset_pa: float
    gnss_latency_s: float
    gnss_hz: int
    accel_bias_mps2: tuple[float, ...]
    gyro_bias_radps: tuple[float, ...]
    mounting_rad: tuple[float, ...]


def described(rng: np.random.Generator) -> Fitted:
    """A good set of sensors with errors of usual size."""
    return Fitted(
        0.06,
        0.08,
        float(rng.choice([-1.0, 1.0]) * rng.uniform(1.2, 2.0)),
        0.15,
        5,
        tuple(rng.uniform(-0.15, 0.15, 3).tolist()),
        tuple(np.radians(rng.uniform(-0.5, 0.5, 3)).tolist()),
        tuple(np.radians(rng.normal(0.0, 1.2, 3)).tolist()),
    )


def drawn(rng: np.random.Generator) -> Fitted:
    """A random set of sensors: every error is drawn from its range."""
    return Fitted(
        float(rng.uniform(0.0, 0.15)),
        float(rng.uniform(0.0, 0.15)),
        float(rng.uniform(-2.0, 2.0)),
        float(rng.uniform(0.05, 0.4)),
        int(rng.choice([1, 5, 10])),
        tuple(rng.uniform(-0.15, 0.15, 3).tolist()),
        tuple(np.radians(rng.uniform(-0.5, 0.5, 3)).tolist()),
        tuple(np.radians(rng.normal(0.0, 1.2, 3)).tolist()),
    )


@dataclass(frozen=True, slots=True)
class Run:
    """A true flight with one set of sensors.

    `imu` is accelerometer and gyro at 100 Hz, `air` static and impact pressure at 50 Hz, `gnss` position and
    velocity (north, east, down) at the receiver's rate.
    """

    scene: str
    truth: NDArray[np.void]
    fitted: Fitted
    imu: Floats
    air: Floats
    gnss: Floats
    score_from_s: float

    def samples(self, *, gnss: bool = True) -> Iterator[Sample]:
        """The samples in order of arrival, each with the time of its arrival."""
        return heapq.merge(self._inertial(), self._gnss() if gnss else (), key=lambda sample: sample.t_s)

    def _inertial(self) -> Iterator[Sample]:
        for i, (t_s, row) in enumerate(zip(self.truth["t_s"].tolist(), self.imu.tolist(), strict=True)):
            yield ImuAccel(t_s, *row[:3])
            yield ImuGyro(t_s, *row[3:])
            if i % 2:
                static_pa, impact_pa = self.air[i // 2].tolist()
                yield Baro(t_s, static_pa)
                yield Pitot(t_s, impact_pa)

    def _gnss(self) -> Iterator[Sample]:
        every = RATE_HZ // self.fitted.gnss_hz
        for k, (north, east, up, v_north, v_east, v_down) in enumerate(self.gnss.tolist()):
            t_s = (k + 1) * every / RATE_HZ + self.fitted.gnss_latency_s
            if t_s <= self.truth["t_s"][-1]:
                yield GnssPos(t_s, 47.0 + north / 111_200.0, 9.0 + east / 75_850.0, up)
                yield GnssVel(t_s, v_north, v_east, v_down)


def _lagged(values: Floats, lag_s: float) -> Floats:
    """First-order lag of values at 100 Hz."""
    if lag_s == 0.0:
        return values
    keep, out, now = math.exp(-1.0 / (RATE_HZ * lag_s)), np.empty_like(values), float(values[0])
    for i, value in enumerate(values.tolist()):
        now = keep * now + (1.0 - keep) * value
        out[i] = now
    return out


def sense(
    scene: str, truth: NDArray[np.void], score_from_s: float, fitted: Fitted, rng: np.random.Generator
) -> Run:
    """The readings of the sensors in a true flight; all noise is drawn here."""
    n = len(truth)
    mounting = Rotation.from_rotvec(fitted.mounting_rad).as_matrix()
    force = np.stack([truth[c] for c in ("fx_mps2", "fy_mps2", "fz_mps2")], axis=1) @ mounting.T
    rate = np.stack([truth[c] for c in ("p_radps", "q_radps", "r_radps")], axis=1) @ mounting.T
    imu = np.hstack([force, rate]) + np.concatenate([fitted.accel_bias_mps2, fitted.gyro_bias_radps])
    wander = np.repeat([2e-4, math.radians(1e-3)], 3)  # a √s
    imu += np.cumsum(rng.standard_normal((n, 6)), axis=0) * wander / math.sqrt(RATE_HZ)
    imu += rng.standard_normal((n, 6)) * np.repeat([0.02, math.radians(0.1)], 3)
    impact = truth["static_pa"] * ((1.0 + 0.2 * truth["mach"] ** 2) ** 3.5 - 1.0)  # isentropic, ratio 1.4
    static = _lagged(truth["static_pa"], fitted.baro_lag_s)[1::2]
    impact = _lagged(impact, fitted.pitot_lag_s)[1::2] + fitted.pitot_offset_pa
    air = np.stack(
        [static + 1.2 * rng.standard_normal(len(static)), impact + 0.5 * rng.standard_normal(len(static))],
        axis=1,
    )
    every = RATE_HZ // fitted.gnss_hz
    columns = ("north_m", "east_m", "altitude_m", "north_mps", "east_mps", "climb_mps")
    fix = np.stack([truth[c] for c in columns], axis=1)[every - 1 :: every]
    fix[:, 5] *= -1.0
    fix[:, 3:] += _coloured(len(fix), 1.0 / fitted.gnss_hz, rng) * [0.1, 0.1, 0.15]
    fix[:, :3] += _coloured(len(fix), 0.1 / fitted.gnss_hz, rng) * 1.5
    return Run(scene, truth, fitted, imu, np.round(air, 1), fix, score_from_s)


def _coloured(count: int, step: float, rng: np.random.Generator) -> Floats:
    """Unit noise, half of it white and half with a memory of 1/step readings; shape (count, 3)."""
    white, keep = rng.standard_normal((2, count, 3)), math.exp(-step)
    slow = np.empty((count, 3))
    now = rng.standard_normal(3)
    for i in range(count):
        now = keep * now + math.sqrt(1.0 - keep * keep) * white[0, i]
        slow[i] = now
    return math.sqrt(0.5) * (slow + white[1])


# --- flying -----------------------------------------------------------------------------------------------


def flown(
    scene_name: str, glider: str, seed: int, cache: Path, until_s: float = math.inf
) -> tuple[NDArray[np.void], float]:
    """The true flight or its beginning, kept in `cache`, and when its scene begins."""
    scene = NEW_SCENES[scene_name](np.random.default_rng([seed, 1]))

    def integrated() -> NDArray[np.void]:
        rng = np.random.default_rng([seed, 2])
        if scene_name in TOWED:
            return towed_flight(glider, scene, rng, cache, TOW_S)
        return integrate(glider, scene, rng, until_s)

    path = cache / f"{scene_name}_{glider}_{seed}_{until_s}.npz"
    return flown_once(path, integrated), scene.score_from_s


def fly(
    scene: str,
    glider: str,
    seed: int,
    cache: Path,
    draw: Callable[[np.random.Generator], Fitted],
    *,
    until_s: float = math.inf,
) -> Run:
    """Fly a scene, and make the readings of a set of sensors drawn from the seed."""
    truth, score_from_s = flown(scene, glider, seed, cache, until_s)
    rng = np.random.default_rng([seed, 3])
    return sense(scene, truth, score_from_s, draw(rng), rng)
