"""A glider as a point mass in coordinated flight, with its sensors; none of this is code of the project.

The pilot wishes an airspeed and a bank. The sink is that of a quadratic polar, with n^1.5 and √n under load
(any handbook), plus that of the airbrakes; kinetic energy is exchanged for height. The body axes lie along
the path: the forces are n·g down in body axes and the change of speed plus the weight's share along it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Pitot, Sample

G_MPS2 = 9.80665
STEP_S = 0.02
SPEED_S = 3.0
MOST_MPS2 = 0.7
"""The airspeed follows the wish with this time constant and at most this acceleration."""
CLIMB_S = 0.7
"""The vertical velocity follows air, pitch and sink with this time constant; its change is felt as load."""


@dataclass(slots=True)
class Wish:
    """What the pilot wants. `lift_mps`: updraft besides the gusts; `brakes_mps`: additional sink."""

    tas_mps: float
    bank_rad: float = 0.0
    lift_mps: float = 0.0
    brakes_mps: float = 0.0
    tow_mps: float = 0.0
    """Climb on tow, instead of the sink of the polar."""


@dataclass(slots=True)
class PointMass:
    """A glider on or over a field at `field_m`, in steady wind and gusts.

    Attributes:
        polar: c, b, a of sink = a·V² + b·V + c at sea level.
        above_m: height above the field.
    """

    rng: np.random.Generator
    polar: tuple[float, float, float]
    field_m: float
    above_m: float
    tas_mps: float
    wind_mps: tuple[float, float] = (0.0, 0.0)
    gusts_mps: float = 0.3
    roll_radps: float = 0.25
    imu: bool = False
    t_s: float = 0.0
    bank_rad: float = 0.0
    heading_rad: float = 0.0
    north_m: float = 0.0
    east_m: float = 0.0
    load: float = 1.0
    climb_mps: float = 0.0
    _gust: list[float] = field(default_factory=lambda: [0.0, 0.0])
    _steps: int = 0

    def fly(self, wish: Callable[[], Wish | None]) -> Iterator[list[Sample]]:
        """Steps of 20 ms, each with its samples, until there is no wish."""
        while (now := wish()) is not None:
            yield self._step(now)

    def _step(self, wish: Wish) -> list[Sample]:
        rng, dt_s = self.rng, STEP_S
        self.t_s += dt_s
        self._steps += 1
        limit = self.roll_radps * dt_s
        roll = max(-limit, min(limit, wish.bank_rad - self.bank_rad))
        self.bank_rad += roll
        on_ground = self.above_m <= 0.0 and wish.tow_mps <= 0.0
        keep = math.exp(-dt_s * max(self.tas_mps, 5.0) / 150.0)
        kick = self.gusts_mps * math.sqrt(1.0 - keep * keep)
        before_mps = self._gust[1]
        self._gust = [keep * e + kick * z for e, z in zip(self._gust, rng.standard_normal(2), strict=True)]
        if on_ground:
            self._gust = [0.0, 0.0]
        accel = max(-MOST_MPS2, min(MOST_MPS2, (wish.tas_mps - self.tas_mps) / SPEED_S))
        if on_ground:
            accel = -2.0 if self.tas_mps > 0.0 else 0.0
        wanted = 0.0
        if wish.tow_mps > 0.0:
            wanted = wish.tow_mps
        elif not on_ground:
            wanted = self._gust[0] + wish.lift_mps - self._sink_mps() - wish.brakes_mps
            wanted -= self.tas_mps * accel / G_MPS2
        up = 0.0 if on_ground else (wanted - self.climb_mps) / CLIMB_S
        self.climb_mps = 0.0 if on_ground else self.climb_mps + up * dt_s
        self.load = (1.0 + up / G_MPS2) / math.cos(self.bank_rad)
        # A gust along the path changes the airspeed at once, and the velocity over ground not at all.
        self.tas_mps = max(0.0, self.tas_mps + accel * dt_s + self._gust[1] - before_mps)
        self.above_m = max(0.0, self.above_m + self.climb_mps * dt_s)
        turn = 0.0 if self.tas_mps < 10.0 else G_MPS2 * math.tan(self.bank_rad) / self.tas_mps
        self.heading_rad += turn * dt_s
        along = self.calm_mps
        over = (
            along * math.cos(self.heading_rad) + self.wind_mps[0] * (not on_ground),
            along * math.sin(self.heading_rad) + self.wind_mps[1] * (not on_ground),
        )
        self.north_m += over[0] * dt_s
        self.east_m += over[1] * dt_s
        return self._sense(over, accel, turn, roll / dt_s)

    @property
    def root(self) -> float:
        """Equivalent over true airspeed: 1976 standard atmosphere, to within 1 % below 3000 m."""
        return math.exp(-(self.field_m + self.above_m) / 20800.0)

    @property
    def calm_mps(self) -> float:
        """The airspeed without the gust."""
        return self.tas_mps - self._gust[1]

    def _sink_mps(self) -> float:
        c, b, a = self.polar
        root = self.root
        speed = self.tas_mps * root / math.sqrt(self.load)
        return float(self.load**1.5 * max(0.3, (a * speed + b) * speed + c) / root)

    def _sense(self, over: tuple[float, float], accel: float, turn: float, roll: float) -> list[Sample]:
        rng, t_s = self.rng, self.t_s
        height_m = self.field_m + self.above_m
        # 1976 standard atmosphere, troposphere.
        air_k = 288.15 - 0.0065 * height_m
        static_pa = 101325.0 * (air_k / 288.15) ** 5.25588
        # Isentropic flow of air, ratio of specific heats 1.4.
        mach2 = self.tas_mps**2 / (1.4 * 287.053 * air_k)
        impact_pa = static_pa * ((1.0 + 0.2 * mach2) ** 3.5 - 1.0)
        samples: list[Sample] = []
        if self.imu:
            along = accel + G_MPS2 * self.climb_mps / max(self.tas_mps, 10.0)
            noise = rng.standard_normal(6) * 0.02
            force = (along + noise[0], noise[1], -self.load * G_MPS2 + noise[2])
            rate = (roll, turn * math.sin(self.bank_rad), turn * math.cos(self.bank_rad))
            samples += [ImuAccel(t_s, *map(float, force))]
            samples += [ImuGyro(t_s, *(float(r + 0.1 * e) for r, e in zip(rate, noise[3:], strict=True)))]
        samples += [
            Baro(t_s, static_pa + 1.2 * rng.standard_normal()),
            Pitot(t_s, impact_pa + 0.5 * rng.standard_normal()),
        ]
        if self._steps % 10 == 0:
            e = 0.1 * rng.standard_normal(3)
            lat, lon = 47.0 + self.north_m / 111_200.0, 9.0 + self.east_m / 75_850.0
            samples += [
                GnssPos(t_s, lat, lon, height_m + 15.0 * float(e[2])),
                GnssVel(t_s, over[0] + float(e[0]), over[1] + float(e[1]), None),
            ]
        return samples
