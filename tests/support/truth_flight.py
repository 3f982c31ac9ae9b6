"""Flights with a known truth: gliders of the general flight-dynamics library jsbsim, flown 6-DOF.

The library integrates the motion, the aerodynamics and the atmosphere; this file adds the moving air
(set each step as the library's wind), a simple pilot, and sensors with noise, bias and mounting error.
A flight is a `Flight`: a truth record at 100 Hz and the sensor readings, replayable as the project's
samples. `flown_once()` stores finished flights as .npz files at the given path, so that each flight is
simulated once, also with parallel callers. Everything random comes from the scenario's seed.

Truth of the vario: total energy freed of horizontal gusts,
`w + V (f·v)/g = climb + V (a·v)/g`, with w the air's vertical motion, V true airspeed, v the unit
vector along the velocity through the air, f specific force and a = f + g the acceleration. It follows
from the derivative of h + V²/2g without the acceleration of the air.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Pitot, Sample
from tests.support import missing
from tests.support.once import made_once
from tests.support.truth_air import PRELUDE_S, SCENES, Scene

G0_MPS2 = 9.80665
RATE_HZ = 100
FT_M = 0.3048
PSF_PA = 47.880259
TRUTH_COLUMNS = (
    *("t_s", "altitude_m", "climb_mps", "north_m", "east_m", "north_mps", "east_mps", "tas_mps"),
    *("pitch_rad", "bank_rad", "heading_rad", "alpha_rad", "beta_rad", "load_factor"),
    *("air_up_mps", "air_north_mps", "air_east_mps", "vario_mps", "static_pa", "mach"),
    *("fx_mps2", "fy_mps2", "fz_mps2", "p_radps", "q_radps", "r_radps"),
)
SHORT_FLIGHT_SEED = 201
SHORT_FLIGHT_S = {"gust_steps": 105.0, "speed_changes": 120.0, "thermal": 181.0}
"""The beginnings of flights that short forms share."""

TRUTH_DTYPE = np.dtype([(name, np.float64) for name in TRUTH_COLUMNS])

Dynamics = Any
"""jsbsim's FGFDMExec; the library may be missing."""


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

    def on_the_ground(self, nose_down_rad: float, seconds: float = 20.0) -> Iterator[ImuAccel]:
        """The same accelerometer with the glider at rest, wings level, and the nose down by an angle."""
        rng = np.random.default_rng([8, round(math.degrees(nose_down_rad))])
        up = [-G0_MPS2 * math.sin(nose_down_rad), 0.0, -G0_MPS2 * math.cos(nose_down_rad)]
        mean = self.instrument_from_body @ np.array(up) + self.imu_bias[:3]
        for k in range(round(seconds * RATE_HZ)):
            yield ImuAccel(k / RATE_HZ, *(mean + self.imu_noise[:3] * rng.standard_normal(3)).tolist())

    def instrument_attitude(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Pitch and bank of the instrument itself: the glider's turned by the mounting error (rad)."""
        pitch, bank = self.truth["pitch_rad"], self.truth["bank_rad"]
        down = np.stack([-np.sin(pitch), np.sin(bank) * np.cos(pitch), np.cos(bank) * np.cos(pitch)], axis=1)
        down = down @ self.instrument_from_body.T
        return -np.arcsin(down[:, 0]), np.arctan2(down[:, 1], down[:, 2])


class Pilot:
    """Holds bank and either pitch or airspeed; keeps the yaw string roughly straight.

    Gains were set by hand until both gliders flew each scene without oscillation.
    """

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._pitch_trim = 0.0
        self._speed_trim = 0.0
        self._feet = 0.0  # error of the rudder: slip with 3 s correlation, 1.5° RMS

    def fly(self, fdm: Dynamics, scene: Scene, t_s: float, lift_mps: float, dt_s: float) -> None:
        wish = scene.wish(t_s, lift_mps)
        pitch, bank = fdm["attitude/theta-rad"], fdm["attitude/phi-rad"]
        v_mps = fdm["velocities/vt-fps"] * FT_M
        wanted = wish.pitch_rad
        if wanted is None:
            fast = v_mps - wish.tas_mps
            self._speed_trim = max(-0.2, min(0.2, self._speed_trim + 0.004 * fast * dt_s))
            wanted = max(-0.35, min(0.45, -0.04 + self._speed_trim + 0.03 * fast))
        off = wanted - pitch
        self._pitch_trim = max(-0.6, min(0.6, self._pitch_trim + 0.8 * off * dt_s))
        turning = fdm["velocities/r-rad_sec"] * math.tan(bank) if abs(bank) < 1.2 else 0.0
        pitch_rate = fdm["velocities/q-rad_sec"] - turning
        stick = wish.elevator
        if stick is None:
            stick = -(1.6 * off + self._pitch_trim) + 0.9 * pitch_rate
        fdm["fcs/elevator-cmd-norm"] = max(-1.0, min(1.0, stick))
        roll = (
            2.0 * (wish.bank_rad - bank) - 0.8 * fdm["velocities/p-rad_sec"]
            if wish.roll is None
            else wish.roll
        )
        fdm["fcs/aileron-cmd-norm"] = max(-1.0, min(1.0, roll))
        self._feet += (
            -self._feet * dt_s / 3.0 + 0.026 * math.sqrt(2.0 * dt_s / 3.0) * self._rng.standard_normal()
        )
        fdm["fcs/rudder-cmd-norm"] = max(-1.0, min(1.0, -6.0 * (fdm["aero/beta-rad"] - self._feet)))


def _start(glider: str, scene: Scene, aircraft: Path | None = None) -> Dynamics:
    """The glider in straight flight; `aircraft`: a folder with altered files of the library's gliders."""
    jsbsim = missing.library("jsbsim", missing.JSBSIM)
    jsbsim.FGJSBBase().debug_lvl = 0
    fdm = jsbsim.FGFDMExec(None)
    fdm.set_debug_level(0)
    if aircraft is not None:
        fdm.set_aircraft_path(str(aircraft))
    fdm.load_model(glider)
    fdm.set_dt(1.0 / RATE_HZ)
    for seat in range(2 if glider == "sgs233" else 0):
        # the two-seater as shipped is so nose-heavy with its crew that it cannot fly slowly
        fdm[f"inertia/pointmass-location-X-inches[{seat}]"] = 103.2
    wind_north, wind_east, _ = scene.wind(-PRELUDE_S, 0.0, 0.0)
    for name, value in (
        ("ic/h-sl-ft", scene.altitude_m / FT_M),
        ("ic/lat-geod-deg", 47.0),
        ("ic/long-gc-deg", 9.0),
        ("ic/psi-true-deg", 0.0),
        ("ic/theta-deg", -1.0),
        ("ic/vn-fps", (scene.tas_mps + wind_north) / FT_M),
        ("ic/ve-fps", wind_east / FT_M),
        ("ic/vd-fps", 1.0 / FT_M),
    ):
        fdm[name] = value
    fdm.run_ic()
    return fdm


def _truth_row(fdm: Dynamics, t_s: float, place_m: list[float], air: tuple[float, ...]) -> tuple[float, ...]:
    mass = fdm["inertia/mass-slugs"]
    force = [fdm[f"forces/fb{axis}-total-lbs"] / mass * FT_M for axis in "xyz"]
    relative = [fdm[f"velocities/{axis}-aero-fps"] * FT_M for axis in "uvw"]
    tas = math.sqrt(sum(c * c for c in relative))
    drag_power = sum(f * v for f, v in zip(force, relative, strict=True)) / G0_MPS2
    return (
        t_s,
        fdm["position/h-sl-ft"] * FT_M,
        fdm["velocities/h-dot-fps"] * FT_M,
        place_m[0],
        place_m[1],
        fdm["velocities/v-north-fps"] * FT_M,
        fdm["velocities/v-east-fps"] * FT_M,
        tas,
        fdm["attitude/theta-rad"],
        fdm["attitude/phi-rad"],
        fdm["attitude/psi-rad"],
        fdm["aero/alpha-rad"],
        fdm["aero/beta-rad"],
        -force[2] / G0_MPS2,
        air[2],
        air[0],
        air[1],
        air[2] + drag_power,
        fdm["atmosphere/P-psf"] * PSF_PA,
        fdm["velocities/mach"],
        *force,
        fdm["velocities/pi-rad_sec"],
        fdm["velocities/qi-rad_sec"],
        fdm["velocities/ri-rad_sec"],
    )


def _step(
    fdm: Dynamics, scene: Scene, pilot: Pilot, t_s: float, *, place_m: list[float], rng: np.random.Generator
) -> tuple[float, ...]:
    """One step of the flight to the time `t_s`; changes `place_m`, and returns the row of truth."""
    dt_s = 1.0 / RATE_HZ
    air = scene.air(t_s, place_m, fdm["velocities/vt-fps"] * FT_M, rng, dt_s)
    fdm["atmosphere/wind-north-fps"] = air[0] / FT_M
    fdm["atmosphere/wind-east-fps"] = air[1] / FT_M
    fdm["atmosphere/wind-down-fps"] = -air[2] / FT_M
    pilot.fly(fdm, scene, t_s, air[2], dt_s)
    fdm.run()
    place_m[0] += fdm["velocities/v-north-fps"] * FT_M * dt_s
    place_m[1] += fdm["velocities/v-east-fps"] * FT_M * dt_s
    return _truth_row(fdm, t_s, place_m, air)


def _integrate(
    glider: str, scene: Scene, rng: np.random.Generator, until_s: float = math.inf
) -> NDArray[np.void]:
    fdm = _start(glider, scene)
    pilot, place_m = Pilot(rng), [0.0, 0.0]
    rows = []
    for step in range(1, round(min(until_s, scene.duration_s) * RATE_HZ) + 1):
        t_s = step * (1.0 / RATE_HZ)
        rows.append(_step(fdm, scene, pilot, t_s, place_m=place_m, rng=rng))
    return np.array(rows, dtype=TRUTH_DTYPE)


def _rotation(vector_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotation matrix of a rotation vector (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector_rad))
    if angle == 0.0:
        return np.eye(3)
    x, y, z = vector_rad / angle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.eye(3) + math.sin(angle) * cross + (1.0 - math.cos(angle)) * cross @ cross


def sense(name: str, scene: Scene, truth: NDArray[np.void], sensors: Sensors, seed: int) -> Flight:
    """The readings of the sensors of the instrument in a true flight.

    The noise is drawn for the whole scene, so that a flight that ends early begins like the whole one.
    """
    rng = np.random.default_rng([seed, 7])
    n, whole = len(truth), round(scene.duration_s * RATE_HZ)
    axis = rng.standard_normal(3)
    mounting = _rotation(sensors.mounting_rad * axis / np.linalg.norm(axis))
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
        lambda: _integrate(glider, scene, np.random.default_rng([seed, 2]), until_s),
    )
    return sense(name, scene, truth, sensors or Sensors(), seed)
