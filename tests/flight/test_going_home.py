"""A flight home in closed loop: what the pilot hears, reads and sees of it, against the rest of the way.

The glider is a point mass on the example polar, in a wind that the instrument has to find, without inertial
sensor. The pilot circles until the bells say that the goal is within reach, flies towards it at the speed
told, meets sink, and then weak lift. Oracle: the rest of the way by brute force on the polar, with the true
wind and without what the air will do; at the end, the height in which the glider really arrives.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest

from drivers import isa
from drivers.samples import Baro, GnssPos, GnssVel, Pitot, Sample
from tests.support.example_polars import CLUB, LIMITS
from vario.app.nmea.out import sentences
from vario.app.outputs.catalogue import OUTPUTS
from vario.app.replay.player import Player
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.tone.cues import Cue
from vario.settings.glider import Glider, Polar
from vario.settings.schema import Settings

DT_S = 0.1
G_MPS2 = 9.80665
EARTH_M = 6_371_000.0  # the sphere of the FAI Sporting Code, General Section
HOME = (50.0, 10.0)
ELEVATION_M, RESERVE_M = 400.0, 200.0
WIND = (-5.0, 4.0)
"""Towards north and east; the goal lies north, so it blows against the way home."""

GLIDER = Glider.model_validate(
    {
        "name": "example",
        "reference_mass": "350 kg",
        "wing_area": "10.5 m2",
        "polar": Polar.model_validate({"a": CLUB.a, "b": CLUB.b, "c": CLUB.c}),
        "limits": LIMITS,
    }
)


def scale_at(height_m: float) -> float:
    """True over equivalent airspeed in the standard atmosphere."""
    return math.sqrt(1.225 / isa.density_kgpm3(isa.pressure_pa(height_m), isa.temperature_k(height_m)))


@dataclass
class Homeward:
    """The flight; `north_m` and `east_m` are from the goal."""

    far_m: float
    t_s: float = 0.0
    height_m: float = 0.0
    tas_mps: float = 27.0
    heading_rad: float = 0.0
    air_mps: float = 0.0
    north_m: float = 0.0
    east_m: float = 0.0
    calls: list[tuple[float, Cue, float, float]] = field(default_factory=list)
    """Time, cue, arrival above the reserve by the oracle, and as told."""
    readings: list[Reading] = field(default_factory=list)

    def __post_init__(self) -> None:
        goal = {"latitude": HOME[0], "longitude": HOME[1], "elevation": f"{ELEVATION_M} m"}
        settings = Settings.model_validate(
            {"goal": {**goal, "reserve": f"{RESERVE_M} m"}, "flight": {"maccready": "1 m/s"}}
        )
        self.rng = np.random.default_rng(71)
        self.player = Player(Pipeline(settings, GLIDER, Noise(baro_pa=1.2, pitot_pa=0.5)))
        self.north_m = -self.far_m
        self.height_m = ELEVATION_M + RESERVE_M + self.far_m / 60.0
        self.heard = 0

    @property
    def last(self) -> Reading:
        """The latest reading."""
        return self.readings[-1]

    @property
    def made(self) -> bool:
        """Whether the pilot has heard that the glide is made."""
        return bool(self.calls) and self.calls[-1][1] is Cue.GLIDE_MADE

    def step(self, air_mps: float, bank_rad: float, wanted_tas_mps: float) -> None:
        """One step of motion, and what the sensors and the pilot's ears make of it."""
        self.t_s += DT_S
        self.air_mps += max(-0.1, min(0.1, air_mps - self.air_mps))
        rate = max(-0.5, min(0.5, wanted_tas_mps - self.tas_mps))
        self.heading_rad += G_MPS2 * math.tan(bank_rad) / self.tas_mps * DT_S
        scale = scale_at(self.height_m)
        sink_mps = scale * CLUB.sink_loaded_mps(self.tas_mps / scale, 1.0 / math.cos(bank_rad))
        self.height_m += (self.air_mps - sink_mps - self.tas_mps * rate / G_MPS2) * DT_S
        self.tas_mps += rate * DT_S
        v_north = self.tas_mps * math.cos(self.heading_rad) + WIND[0]
        v_east = self.tas_mps * math.sin(self.heading_rad) + WIND[1]
        self.north_m += v_north * DT_S
        self.east_m += v_east * DT_S
        for sample in self.sensed(v_north, v_east):
            for reading in self.player.push(sample):
                self.readings.append(reading)
                self.hear(reading)

    def sensed(self, v_north: float, v_east: float) -> Iterator[Sample]:
        """Pressures at 10 Hz, positions and velocities at 2 Hz."""
        noise = self.rng.standard_normal(5)
        static_pa = isa.pressure_pa(self.height_m)
        mach = self.tas_mps / math.sqrt(1.4 * 287.053 * isa.temperature_k(self.height_m))
        impact_pa = static_pa * ((1.0 + 0.2 * mach**2) ** 3.5 - 1.0)  # isentropic pitot relation
        yield Baro(self.t_s, static_pa + 1.2 * noise[0])
        yield Pitot(self.t_s, impact_pa + 0.5 * noise[1])
        if round(self.t_s / DT_S) % 5 == 0:
            lat = HOME[0] + math.degrees(self.north_m / EARTH_M)
            lon = HOME[1] + math.degrees(self.east_m / EARTH_M / math.cos(math.radians(lat)))
            yield GnssPos(self.t_s, lat, lon, self.height_m + noise[2])
            yield GnssVel(self.t_s, v_north + 0.1 * noise[3], v_east + 0.1 * noise[4], None)

    def hear(self, reading: Reading) -> None:
        """Note the bells of the glide."""
        call = reading.tone.cue
        if call is None or call.number == self.heard:
            return
        self.heard = call.number
        if call.cue in (Cue.GLIDE_MADE, Cue.GLIDE_LOST):
            assert reading.glide is not None
            assert reading.glide.above_reserve_m is not None
            self.calls.append((self.t_s, call.cue, self.arrival_m(), reading.glide.above_reserve_m))

    def arrival_m(self) -> float:
        """Oracle: arrival above the reserve at the best speed of MacCready 1 m/s, by steps of 200 m."""
        way_m, height_m = math.hypot(self.north_m, self.east_m), self.height_m
        bearing = math.atan2(-self.east_m, -self.north_m)
        along = WIND[0] * math.cos(bearing) + WIND[1] * math.sin(bearing)
        across = WIND[1] * math.cos(bearing) - WIND[0] * math.sin(bearing)
        eas = np.arange(CLUB.min_sink_speed_mps, LIMITS.rough_air_mps, 0.05)
        sink = np.array([CLUB.sink_mps(float(v)) for v in eas])
        scale = scale_at(height_m)
        in_still_air = int(np.argmin((1.0 + scale * sink) / (scale * eas)))
        ground = np.sqrt((scale * eas) ** 2 - across**2) + along
        best = max(in_still_air, int(np.argmin(scale * sink / ground)))
        height_m += (self.tas_mps**2 - (scale * eas[best]) ** 2) / (2.0 * G_MPS2)
        while way_m > 0.0:
            step_m, scale = min(200.0, way_m), scale_at(height_m)
            ground_mps = math.sqrt((scale * eas[best]) ** 2 - across**2) + along
            height_m -= step_m * scale * sink[best] / ground_mps
            way_m -= step_m
        return height_m - ELEVATION_M - RESERVE_M

    def circle(self, climb_mps: float) -> None:
        """Climb until the goal is within reach, and a little more."""
        since_s = 0.0
        while since_s < 20.0:
            self.step(climb_mps, math.radians(30.0), 26.0)
            since_s += DT_S * self.made
            assert self.t_s < 900.0

    def towards_home(self, until_m: float, air_mps: float) -> None:
        """Fly the told bearing at the told speed; the pilot corrects the drift of the wind."""
        while math.hypot(self.north_m, self.east_m) > until_m:
            glide = self.last.glide
            assert glide is not None
            assert glide.speed_mps is not None
            across = WIND[1] * math.cos(glide.bearing_rad) - WIND[0] * math.sin(glide.bearing_rad)
            course = glide.bearing_rad - math.asin(across / self.tas_mps)
            off = math.remainder(course - self.heading_rad, math.tau)
            bank = max(-0.5, min(0.5, 1.5 * off))
            self.step(air_mps, bank, scale_at(self.height_m) * glide.speed_mps)


@pytest.mark.parametrize("far_m", [4_500.0, pytest.param(15_000.0, marks=pytest.mark.long)])
def test_the_way_home_is_told_as_it_goes_on(far_m: float) -> None:
    """Made, lost in sink, made again in lift, and arrived as told."""
    flight = Homeward(far_m)
    flight.circle(2.5)
    sink_m, lift_m = 0.25 * far_m, 0.15 * far_m
    flight.towards_home(0.75 * far_m, 0.0)
    assert [cue for _, cue, _, _ in flight.calls] == [Cue.GLIDE_MADE]
    flight.towards_home(0.75 * far_m - sink_m, -2.0)
    flight.towards_home(0.75 * far_m - sink_m - lift_m, 4.0)
    told_m = flight.last.glide.above_reserve_m  # type: ignore[union-attr]  # there is a goal
    assert told_m is not None
    assert flight.arrival_m() == pytest.approx(told_m, abs=20.0)
    flight.towards_home(50.0, 0.0)
    assert [cue for _, cue, _, _ in flight.calls] == [Cue.GLIDE_MADE, Cue.GLIDE_LOST, Cue.GLIDE_MADE]
    for _, cue, true_m, shown_m in flight.calls:
        assert shown_m == pytest.approx(true_m, abs=20.0)
        # Made with 30 m to spare, lost below the reserve, each 5 s later; the wind is known to some 0.5 m/s.
        assert (true_m > 10.0) if cue is Cue.GLIDE_MADE else (true_m < 15.0)
    arrived_m = flight.height_m - ELEVATION_M - RESERVE_M
    assert arrived_m == pytest.approx(told_m, abs=20.0)
    assert arrived_m > 0.0
    shown_everywhere(flight)


def shown_everywhere(flight: Homeward) -> None:
    """Bells, page and sentences say the same."""
    flags = [OUTPUTS["goal_made"].value_of(reading) for reading in flight.readings]
    assert sum(a != b for a, b in pairwise(flags)) == len(flight.calls)
    for reading in flight.readings[:: len(flight.readings) // 10]:
        text = "".join(sentences(reading))
        glide = reading.glide
        if glide is None or glide.above_reserve_m is None:
            assert "GOAL_ABOVE_RESERVE" not in text
        else:
            assert f"D,{glide.above_reserve_m:.1f},M,GOAL_ABOVE_RESERVE" in text
            assert OUTPUTS["goal_above_reserve_m"].value_of(reading) == glide.above_reserve_m
