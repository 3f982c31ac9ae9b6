"""Flights computed on paper from turn rates, for the tests of mode, climbs and averages."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import InitVar, dataclass, field
from typing import Any

from drivers.samples import GnssPos, GnssVel, ImuAccel, ImuGyro
from tests.support.setups import setup
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.motion.mode_stage import ModeStage
from vario.flight.motion.place import PlaceStage
from vario.flight.motion.turning import TurningStage
from vario.flight.thermal.averages import Averages, AveragesStage
from vario.flight.wind.stage import Wind
from vario.settings.schema import Circling

DT_S = 0.1
TURN = math.radians(15.0)  # 24 s a turn
METRES_A_DEGREE = math.radians(1.0) * 6_371_009.0  # on the equator, where these flights take place


def turning_by(rate_radps: float) -> Attitude:
    """An attitude in which only the rate of turn matters."""
    return Attitude(0.0, 0.0, rate_radps, load_factor=1.0)


@dataclass
class Paper:
    """A computed flight, given by turn rate, speed and climb, through turning, mode and averages."""

    gyro: bool = True
    track: InitVar[bool] = True  # whether there is GNSS
    wish: str = "automatic"
    wind: tuple[float, float] = (0.0, 0.0)
    wind_known: bool = False
    gyro_drift_radps: float = 0.0
    circling: Circling = field(default_factory=Circling)

    def __post_init__(self, track: bool) -> None:
        self.gnss = track
        made = setup(circling=self.circling, mode=self.wish)
        self.turning = TurningStage(made)
        self.mode = ModeStage(made)
        self.averages = AveragesStage(made)
        self.place = PlaceStage(made)
        self.t_s, self.track, self.energy_m = 0.0, 0.0, 500.0
        self.north_m = self.east_m = 0.0
        self.modes: list[tuple[float, Mode]] = []
        self.last = Averages(None, None, None)

    def fly(
        self,
        seconds: float,
        rate_radps: float | Callable[[float], float] = 0.0,
        climb_mps: float = 0.0,
        tas_mps: float = 27.0,
    ) -> Paper:
        start_s = self.t_s
        for _ in range(round(seconds / DT_S)):
            self.t_s += DT_S
            rate = rate_radps(self.t_s - start_s) if callable(rate_radps) else rate_radps
            self.track += rate * DT_S
            self.energy_m += climb_mps * DT_S
            moving = self.wind if tas_mps > 0.0 else (0.0, 0.0)
            north = tas_mps * math.cos(self.track) + moving[0]
            east = tas_mps * math.sin(self.track) + moving[1]
            self.north_m, self.east_m = self.north_m + north * DT_S, self.east_m + east * DT_S
            frame = Frame(
                self.t_s,
                DT_S,
                accel=(ImuAccel(self.t_s, 0.0, 0.0, -9.8),),
                gyro=(ImuGyro(self.t_s, 0.0, 0.0, rate),),
                gnss_pos=(self._position(),) if self.gnss else (),
                gnss_vel=(GnssVel(self.t_s, north, east, None),) if self.gnss else (),
            )
            inputs = Inputs(frame, has_baro=True, has_pitot=True, has_imu=self.gyro, has_gnss=self.gnss)
            attitude = turning_by(rate + self.gyro_drift_radps) if self.gyro else None
            wind = Wind(*self.wind, 1.0, 0.1) if self.wind_known else None
            turning = self.turning_now = self.turning.update(inputs, attitude, wind)
            energy = Energy(
                self.energy_m - 37.0,
                climb_mps,
                tas_mps,
                tas_mps,
                1.1,
                climb_mps,
                self.energy_m,
                compensated=True,
            )
            mode = self.mode.update(inputs, energy, turning)
            place = self.place.update(inputs, energy, turning, wind)
            self.last = self.averages.update(self.t_s, energy, turning, mode, place)
            if not self.modes or self.modes[-1][1] is not mode:
                self.modes.append((self.t_s, mode))
        return self

    def _position(self) -> GnssPos:
        return GnssPos(self.t_s, self.north_m / METRES_A_DEGREE, self.east_m / METRES_A_DEGREE, 1000.0)

    def names(self) -> list[str]:
        return [mode.value for _, mode in self.modes]


def airborne(**kwargs: Any) -> Paper:
    return Paper(**kwargs).fly(30.0)
