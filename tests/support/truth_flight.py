"""Flights with a known truth: the motion of `truth_dynamics`, and readings of sensors with errors.

A flight is a `Flight`: a truth record at 100 Hz and the sensor readings, replayable as the project's
samples. The sensors have noise, bias and mounting error. `flown_once()` stores finished flights as .npz files
at the given path, so that each flight is simulated once, also with parallel callers. Everything random comes
from the scenario's seed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Pitot, Sample
from tests.support.once import made_once
from tests.support.truth_air import SCENES, Scene
from tests.support.truth_dynamics import G0_MPS2, RATE_HZ, integrate

SHORT_FLIGHT_SEED = 201
SHORT_FLIGHT_S = {"gust_steps": 105.0, "speed_changes": 120.0, "thermal": 181.0}
"""The beginnings of flights that short forms share."""


@dataclass(frozen=True, slots=True)
class Sensors:
    """White noise per sample, constant errors (random sign, or random direction), and rates."""

    baro_pa: float = 1.2
    pitot_pa: float = 0.5
    accel_mps2: float = 0.02
    gyro_radps: float = math.radians(0.1)
    accel_bias_mps2: float = 0.05
    gyro_bias_radps: float = math.radians(0.5)
    mounting_rad: float = math.radians(2.0)
    gnss_vel_mps: float = 0.1
    gnss_pos_m: float = 1.5
    air_hz: int = 50
    gnss_hz: int = 5


@dataclass(frozen=True, slots=True)
class Flight:
    """One flight: truth and readings.

    `truth` and `imu` have one row per 10 ms; `imu` columns are accelerometer x y z, gyro x y z in the
    instrument's axes; `baro_pa` and `pitot_pa` are sampled every 100/air_hz rows; `gnss` columns are
    position north, east, up (m), velocity north, east, down (m/s). `instrument_from_body` is the
    mounting error, `imu_bias` and `imu_noise` what is wrong with each column of `imu` besides;
    `score_from_s` is where the scenario proper begins.
    """

    scene: str
    truth: NDArray[np.void]
    imu: NDArray[np.float64]
    baro_pa: NDArray[np.float64]
    pitot_pa: NDArray[np.float64]
    gnss: NDArray[np.float64]
    instrument_from_body: NDArray[np.float64]
    imu_bias: NDArray[np.float64]
    imu_noise: NDArray[np.float64]
    score_from_s: float
    air_hz: int
    gnss_hz: int

    def samples(self, *, gnss: bool = True) -> Iterator[Sample]:
        """The readings as samples, in time order."""
        every_air, every_gnss = RATE_HZ // self.air_hz, RATE_HZ // self.gnss_hz
        for i, t_s in enumerate(self.truth["t_s"].tolist()):
            reading = self.imu[i].tolist()
            yield ImuAccel(t_s, *reading[:3])
            yield ImuGyro(t_s, *reading[3:])
            if i % every_air == every_air - 1:
                yield Baro(t_s, float(self.baro_pa[i // every_air]))
                yield Pitot(t_s, float(self.pitot_pa[i // every_air]))
            if gnss and i % every_gnss == every_gnss - 1:
                north, east, up, v_north, v_east, v_down = self.gnss[i // every_gnss].tolist()
                yield GnssPos(t_s, 47.0 + north / 111_200.0, 9.0 + east / 75_850.0, up)
                yield GnssVel(t_s, v_north, v_east, v_down)

    def on_the_ground(self, nose_down_rad: float) -> Iterator[ImuAccel]:
        """The same accelerometer at rest for 20 s, wings level, the nose down by an angle."""
        rng = np.random.default_rng([8, round(math.degrees(nose_down_rad))])
        up = [-G0_MPS2 * math.sin(nose_down_rad), 0.0, -G0_MPS2 * math.cos(nose_down_rad)]
        mean = self.instrument_from_body @ np.array(up) + self.imu_bias[:3]
        for k in range(20 * RATE_HZ):
            yield ImuAccel(k / RATE_HZ, *(mean + self.imu_noise[:3] * rng.standard_normal(3)).tolist())

    def instrument_attitude(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Pitch and bank of the instrument itself: the glider's turned by the mounting error (rad)."""
        pitch, bank = self.truth["pitch_rad"], self.truth["bank_rad"]
        down = np.stack([-np.sin(pitch), np.sin(bank) * np.cos(pitch), np.cos(bank) * np.cos(pitch)], axis=1)
        down = down @ self.instrument_from_body.T
        return -np.arcsin(down[:, 0]), np.arctan2(down[:, 1], down[:, 2])


def sense(name: str, scene: Scene, truth: NDArray[np.void], sensors: Sensors, seed: int) -> Flight:
    """The readings of the sensors of the instrument in a true flight.

    The noise is drawn for the whole scene, so that a flight that ends early begins like the whole one.
    """
    rng = np.random.default_rng([seed, 7])
    n, whole = len(truth), round(scene.duration_s * RATE_HZ)
    axis = rng.standard_normal(3)
    mounting = Rotation.from_rotvec(sensors.mounting_rad * axis / np.linalg.norm(axis)).as_matrix()
    signs = rng.choice([-1.0, 1.0], size=6)
    force = np.stack([truth[c] for c in ("fx_mps2", "fy_mps2", "fz_mps2")], axis=1) @ mounting.T
    rate = np.stack([truth[c] for c in ("p_radps", "q_radps", "r_radps")], axis=1) @ mounting.T
    bias = signs * np.repeat([sensors.accel_bias_mps2, sensors.gyro_bias_radps], 3)
    white = np.repeat([sensors.accel_mps2, sensors.gyro_radps], 3)
    imu = np.hstack([force, rate]) + bias + white * rng.standard_normal((whole, 6))[:n]
    air_rows, gnss_rows = (
        slice(RATE_HZ // sensors.air_hz - 1, None, RATE_HZ // sensors.air_hz),
        slice(RATE_HZ // sensors.gnss_hz - 1, None, RATE_HZ // sensors.gnss_hz),
    )
    # isentropic pitot relation, air (ratio of specific heats 1.4)
    impact = truth["static_pa"] * ((1.0 + 0.2 * truth["mach"] ** 2) ** 3.5 - 1.0)
    baro, pitot = truth["static_pa"][air_rows], impact[air_rows]
    columns = ("north_m", "east_m", "altitude_m", "north_mps", "east_mps", "climb_mps")
    fix = np.stack([truth[c] for c in columns], axis=1)[gnss_rows]
    fix[:, 5] *= -1.0
    fix_noise = rng.standard_normal((whole * sensors.gnss_hz // RATE_HZ, 6))[: len(fix)]
    fix += np.repeat([sensors.gnss_pos_m, sensors.gnss_vel_mps], 3) * fix_noise
    air_noise = whole * sensors.air_hz // RATE_HZ
    return Flight(
        name,
        truth,
        imu,
        baro + sensors.baro_pa * rng.standard_normal(air_noise)[: len(baro)],
        pitot + sensors.pitot_pa * rng.standard_normal(air_noise)[: len(pitot)],
        fix,
        mounting,
        bias,
        white,
        scene.score_from_s,
        sensors.air_hz,
        sensors.gnss_hz,
    )


def flown_once(path: Path, integrate: Callable[[], NDArray[np.void]]) -> NDArray[np.void]:
    """The true motion stored at `path`; it is simulated if it is missing. Another caller waits for it."""
    made_once(path, lambda part: np.savez(part, truth=integrate()))
    truth: NDArray[np.void] = np.load(path)["truth"]
    return truth


def fly(
    name: str,
    glider: str,
    seed: int,
    cache: Path,
    sensors: Sensors | None = None,
    *,
    until_s: float = math.inf,
) -> Flight:
    """Fly a scene of `SCENES` with a glider of the library ("sgs126", "sgs233"), or load it from `cache`.

    A flight `until_s` is the beginning of the whole flight, bit for bit, and takes less time to simulate.
    Only the motion is cached; the sensors' errors are drawn anew from the seed, always the same.
    """
    scene = SCENES[name](np.random.default_rng([seed, 1]))
    truth = flown_once(
        cache / f"{name}_{glider}_{seed}_{until_s}.npz",
        lambda: integrate(glider, scene, np.random.default_rng([seed, 2]), until_s),
    )
    return sense(name, scene, truth, sensors or Sensors(), seed)
