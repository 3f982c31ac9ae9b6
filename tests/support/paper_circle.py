"""A circle computed on paper: climb over heading beside a core, for tests of map, core and centring."""

from __future__ import annotations

import math
from collections.abc import Callable

from hypothesis import strategies as st

from tests.support.setups import setup
from vario.flight.cruise.airmass import Airmass
from vario.flight.estimate.result import Diagnostics, Estimate
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.motion.place import Place
from vario.flight.motion.turning import Turning
from vario.flight.thermal.shifting import Size
from vario.flight.thermal.stage import Thermal, ThermalStage
from vario.settings.schema import Centring

DT_S = 0.1
PERIOD_S = 24.0


class Paper:
    """A steady circle in a drifting Gaussian updraft, with a vario of first-order lag."""

    def __init__(
        self,
        *,
        way: int = 1,
        strength: float = 3.0,
        radius_m: float = 120.0,
        circle_m: float = 90.0,
        offset_m: float = 40.0,
        towards_rad: float = 1.0,
        wind: tuple[float, float] = (0.0, 0.0),
        lag_s: float = 0.0,
        settings: Centring | None = None,
        place_known: bool = True,
        noise: Callable[[float], float] = lambda _t: 0.0,
    ) -> None:
        self.stage = ThermalStage(setup(centring=settings or Centring()))
        self.way, self.wind, self.lag_s, self.place_known, self.noise = way, wind, lag_s, place_known, noise
        self.core = (offset_m * math.cos(towards_rad), offset_m * math.sin(towards_rad))
        self.strength, self.radius_m, self.circle_m = strength, radius_m, circle_m
        self.t_s, self.shown, self.heading = 0.0, 0.0, 0.0
        self.cues: list[float] = []
        self.sizes: list[Size] = []
        self.last: Thermal | None = None
        self.from_north = True

    def fly(self, seconds: float, mode: Mode = Mode.CIRCLING) -> Thermal:
        rate = self.way * math.tau / PERIOD_S
        for _ in range(round(seconds / DT_S)):
            self.t_s += DT_S
            self.heading += rate * DT_S
            from_middle = self.heading - self.way * math.pi / 2
            north, east = self.circle_m * math.cos(from_middle), self.circle_m * math.sin(from_middle)
            squared = (north - self.core[0]) ** 2 + (east - self.core[1]) ** 2
            lift = self.strength * math.exp(-squared / self.radius_m**2) + self.noise(self.t_s)
            if self.lag_s:
                self.shown += (1.0 - math.exp(-DT_S / self.lag_s)) * (lift - self.shown)
            else:
                self.shown = lift
            self._step(rate, north, east, mode)
        assert self.last is not None
        return self.last

    def _step(self, rate: float, north: float, east: float, mode: Mode) -> None:
        nose = self.heading % math.tau
        turning = Turning(
            *(rate, self.heading, 0.0, self.heading),
            active=True,
            now=True,
            heading_rad=nose,
            from_north=self.from_north,
        )
        place = Place(north + self.wind[0] * self.t_s, east + self.wind[1] * self.t_s, 1, *self.wind)
        tas = math.tau * self.circle_m / PERIOD_S
        energy = Energy(1000.0, self.shown, 25.0, tas, 1.1, self.shown, 1035.0, compensated=True)
        inputs = Inputs(Frame(self.t_s, DT_S), has_baro=True, has_pitot=True, has_imu=True, has_gnss=True)
        self.last = self.stage.update(
            inputs,
            Estimate(None, energy, Diagnostics(), has_airspeed=True),
            Airmass(self.shown, self.shown - 0.8),
            turning,
            mode=mode,
            place=place if self.place_known else None,
        )
        if self.last.centring_now:
            self.cues.append(nose)
            self.sizes.append(self.last.centring_now)


def apart_deg(a: float | None, b: float) -> float:
    assert a is not None
    return abs(math.degrees(math.remainder(a - b, math.tau)))


FAR_OFF = {"offset_m": 85.0, "circle_m": 80.0, "strength": 4.0, "radius_m": 130.0}
"""A circle from which a shift gains half a metre per second."""

TOWARDS = st.tuples(st.sampled_from([1, -1]), st.floats(0.0, 6.28))
