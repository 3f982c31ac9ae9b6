"""Closed loop: a glider of `truth_dynamics`, its sensors, the instrument and a pilot who acts on its cues.

The library integrates the motion at 100 Hz; the instrument receives the readings of each step at once, and
the pilot decides on the next step from the cues so far. After the usual 75 s of `truth_air` the glider flies
straight into a thermal that is there already, and the pilot rolls in.
"""

from __future__ import annotations

import atexit
import math
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Pitot, Sample
from tests.support import missing
from tests.support.truth_air import PRELUDE_S, Scene, Wish
from tests.support.truth_dynamics import (
    G0_MPS2,
    RATE_HZ,
    TRUTH_COLUMNS,
    TRUTH_DTYPE,
    Pilot,
    start_flight,
    step_flight,
)
from tests.support.truth_flight import Sensors
from vario.app.replay.player import Player
from vario.flight.reading import Reading
from vario.flight.tone.stage import ToneCommand

STRAIGHT_S = 8.0
"""Time from the end of the prelude to the beginning of the first turn."""

COLUMN = {name: k for k, name in enumerate(TRUTH_COLUMNS)}


@dataclass(frozen=True, slots=True)
class Seen:
    """The knowledge of a pilot without an instrument, and `to_core_m`, which only some pilots know.

    `to_core_m`: position of the core relative to the glider, north and east, in the drifting air.
    """

    t_s: float
    bank_rad: float
    heading_rad: float
    roll_radps: float
    tas_mps: float
    to_core_m: tuple[float, float]


class Flier(Protocol):
    """Decides the bank; `truth_dynamics.Pilot` controls airspeed and rudder."""

    def hear(self, t_s: float, tone: ToneCommand) -> None:
        """Receive the tone command."""

    def bank(self, seen: Seen) -> float:
        """The desired bank, to which the stick moves at `roll_rate_radps`."""

    @property
    def roll_rate_radps(self) -> float:
        """Roll rate of the pilot."""


@dataclass(slots=True)
class LoopScene(Scene):
    """A thermal that drifts with the wind, at a place that is set when the prelude ends."""

    updraft: Callable[[float], float] = lambda _d: 0.0
    wind_mps: tuple[float, float] = (0.0, 0.0)
    core_m: tuple[float, float] | None = None
    """Set the position at the end of the prelude."""

    def core_at(self, t_s: float) -> tuple[float, float]:
        """Position of the core, m north and east, at a time since the start."""
        assert self.core_m is not None
        since_s = t_s - PRELUDE_S
        return self.core_m[0] + self.wind_mps[0] * since_s, self.core_m[1] + self.wind_mps[1] * since_s

    def steady(self, t_s: float, north_m: float, east_m: float) -> tuple[float, float, float]:
        """Wind and updraft."""
        if self.core_m is None:
            return *self.wind_mps, 0.0
        core = self.core_at(t_s + PRELUDE_S)
        return *self.wind_mps, self.updraft(math.hypot(north_m - core[0], east_m - core[1]))


@dataclass(frozen=True, slots=True)
class Flown:
    """One flight: truth at 100 Hz, the core at each row, and the results of `watch`."""

    truth: NDArray[np.void]
    core_m: NDArray[np.float64]
    kept: list[object] = field(default_factory=list)


class _Senses:
    """The readings of one step, with the errors of `truth_flight.sense`."""

    def __init__(self, sensors: Sensors, seed: int) -> None:
        self._rng = np.random.default_rng([seed, 7])
        axis = self._rng.standard_normal(3)
        self._mounting = Rotation.from_rotvec(sensors.mounting_rad * axis / np.linalg.norm(axis)).as_matrix()
        signs = self._rng.choice([-1.0, 1.0], size=6)
        self._bias = signs * np.repeat([sensors.accel_bias_mps2, sensors.gyro_bias_radps], 3)
        self._white = np.repeat([sensors.accel_mps2, sensors.gyro_radps], 3)
        self._s = sensors

    def read(self, step: int, t_s: float, row: tuple[float, ...]) -> list[Sample]:
        """The samples of this step, in time order."""
        rng, s = self._rng, self._s
        first = COLUMN["fx_mps2"]
        force, rate = (self._mounting @ np.array(row[k : k + 3]) for k in (first, first + 3))
        imu = (np.concatenate([force, rate]) + self._bias + self._white * rng.standard_normal(6)).tolist()
        samples: list[Sample] = [ImuAccel(t_s, *imu[:3]), ImuGyro(t_s, *imu[3:])]
        if step % (RATE_HZ // s.air_hz) == 0:
            static_pa, mach = row[COLUMN["static_pa"]], row[COLUMN["mach"]]
            # isentropic pitot relation, air (ratio of specific heats 1.4)
            impact_pa = static_pa * ((1.0 + 0.2 * mach**2) ** 3.5 - 1.0)
            noise = rng.standard_normal(2).tolist()
            samples += [
                Baro(t_s, static_pa + s.baro_pa * noise[0]),
                Pitot(t_s, impact_pa + s.pitot_pa * noise[1]),
            ]
        if step % (RATE_HZ // s.gnss_hz) == 0:
            columns = ("north_m", "east_m", "altitude_m", "north_mps", "east_mps", "climb_mps")
            true = np.array([row[COLUMN[name]] for name in columns])
            noise_of = np.repeat([s.gnss_pos_m, s.gnss_vel_mps], 3) * rng.standard_normal(6)
            north, east, up, v_north, v_east, v_up = (true + noise_of).tolist()
            samples += [
                GnssPos(t_s, 47.0 + north / 111_200.0, 9.0 + east / 75_850.0, up),
                GnssVel(t_s, v_north, v_east, -v_up),
            ]
        return samples


Place = Callable[[tuple[float, float], float], tuple[float, float]]
"""Position of the core, from position and heading of the glider at the end of the prelude."""


def fly_loop(
    scene: LoopScene,
    glider: str,
    flier: Flier,
    seed: int,
    place_core: Place,
    *,
    player: Player | None = None,
    watch: Callable[[Reading, Seen], object | None] = lambda _reading, _seen: None,
) -> Flown:
    """Run a flight; without a `player` there are no cues and no sensor readings, which is much faster."""
    rng = np.random.default_rng([seed, 2])
    scene.wind = scene.steady
    fdm = start_flight(glider, scene, _with_better_ailerons(glider))
    hands = Pilot(rng)
    senses = _Senses(Sensors(), seed)
    dt_s, place_m = 1.0 / RATE_HZ, [0.0, 0.0]
    rows, cores, kept = [], [], []
    seen: Seen | None = None
    ramp = 0.0
    scene.options = lambda _t, _lift: Wish(tas_mps=scene.tas_mps)
    for step in range(1, round(scene.duration_s * RATE_HZ) + 1):
        t_s = step * dt_s
        if scene.core_m is None and t_s >= PRELUDE_S:
            assert seen is not None
            scene.core_m = place_core((place_m[0], place_m[1]), seen.heading_rad)
        if seen is not None and t_s >= PRELUDE_S:
            wanted = flier.bank(seen)
            ramp += max(-flier.roll_rate_radps * dt_s, min(flier.roll_rate_radps * dt_s, wanted - ramp))
            wish = Wish(ramp, scene.tas_mps, roll=_aileron(ramp, seen))
            scene.options = lambda _t, _lift, wish=wish: wish
        row = step_flight(fdm, scene, hands, t_s, place_m=place_m, rng=rng)
        core = (math.nan, math.nan) if scene.core_m is None else scene.core_at(t_s)
        seen = _seen(t_s, row, scene.wind_mps, place_m, core)
        rows.append(row)
        cores.append(core)
        if player is not None:
            for sample in senses.read(step, t_s, row):
                for reading in player.push(sample):
                    flier.hear(t_s, reading.tone)
                    found = watch(reading, seen)
                    if found is not None:
                        kept.append(found)
    return Flown(np.array(rows, dtype=TRUTH_DTYPE), np.array(cores), kept)


AILERONS = 2.5
"""Factor on the ailerons of the library's gliders. As they are they roll at 6 degrees a second: 45 degrees of
bank to 45 the other way takes them 15 s, where CS-22.147 allows span / 3 s/m, 4 to 5 s (from memory)."""


@cache
def _with_better_ailerons(glider: str) -> Path:
    """A folder, kept during this process, with the file of the glider from the library and stronger
    ailerons.
    """
    jsbsim = missing.library("jsbsim", missing.JSBSIM)
    root = Path(tempfile.mkdtemp(prefix="vario_gliders_"))
    atexit.register(shutil.rmtree, root, ignore_errors=True)
    shutil.copytree(Path(jsbsim.get_default_root_dir()) / "aircraft" / glider, root / glider)
    path = root / glider / f"{glider}.xml"
    before, coefficient, after = path.read_text(encoding="utf-8").partition('"aero/coefficient/Clda"')
    product, end, after = after.partition("</product>")
    stronger = f"{product}<value>{AILERONS}</value>{end}{after}"
    path.write_text(f"{before}{coefficient}{stronger}", encoding="utf-8")
    return root


def _aileron(bank_rad: float, seen: Seen) -> float:
    return 4.0 * (bank_rad - seen.bank_rad) - 1.0 * seen.roll_radps


def _seen(
    t_s: float,
    row: tuple[float, ...],
    wind_mps: tuple[float, float],
    place_m: list[float],
    core_m: tuple[float, float],
) -> Seen:
    north_mps, east_mps = row[COLUMN["north_mps"]] - wind_mps[0], row[COLUMN["east_mps"]] - wind_mps[1]
    return Seen(
        t_s,
        row[COLUMN["bank_rad"]],
        math.atan2(east_mps, north_mps),
        row[COLUMN["p_radps"]],
        row[COLUMN["tas_mps"]],
        (core_m[0] - place_m[0], core_m[1] - place_m[1]),
    )


def turn_radius_m(tas_mps: float, bank_rad: float) -> float:
    """Radius of a coordinated turn, V²/(g·tan φ)."""
    return tas_mps**2 / (G0_MPS2 * math.tan(abs(bank_rad)))
