"""Wind and heading against exact geometry, and on flights of known truth.

Source of the example: the wind triangle for 25 m/s true airspeed and wind from 306.87 deg at 5 m/s
(air moving +4 m/s east, -3 m/s north); the least-squares circle is exact on exact points.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.samples import GnssVel, Pitot, Reference, Sample
from hw_replay.simulate.demo import write_recording
from tests.support.truth_flight import Flight
from tests.support.truth_gliders import GLIDERS, NOISE
from tests.support.truth_wind import LEG_S, TURN_S, fly_legs
from vario.app.replay.player import play
from vario.app.replay.session import ReplaySession, opened
from vario.app.simulate.file import load_scenario
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.attitude import Attitude
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.setup import Setup
from vario.flight.wind.circle import fit_circle
from vario.flight.wind.stage import FORGET_S, Wind, WindStage
from vario.settings.schema import Settings

GROUND_SPEEDS = [22.3607, 26.1793, 29.1548, 29.9581, 28.2843, 24.7920, 21.2132, 20.0627]
TRACKS_DEG = [10.3048, 55.8986, 95.9061, 133.6475, 171.8699, 213.4835, 261.8699, 317.0198]


def test_published_geometry_is_recovered() -> None:
    north = [v * math.cos(math.radians(a)) for v, a in zip(GROUND_SPEEDS, TRACKS_DEG, strict=True)]
    east = [v * math.sin(math.radians(a)) for v, a in zip(GROUND_SPEEDS, TRACKS_DEG, strict=True)]
    fit = fit_circle(north, east)
    assert fit is not None
    assert (fit.north_mps, fit.east_mps, fit.radius_mps) == pytest.approx((-3.0, 4.0, 25.0), abs=1e-3)
    assert fit.scatter_mps < 1e-3


@given(st.floats(-15, 15), st.floats(-15, 15), st.floats(18, 45), st.floats(0, math.tau))
def test_any_wind_is_recovered_from_exact_tips(north: float, east: float, tas: float, start: float) -> None:
    headings = start + np.linspace(0, math.tau, 25, endpoint=False)
    fit = fit_circle(list(north + tas * np.cos(headings)), list(east + tas * np.sin(headings)))
    assert fit is not None
    assert (fit.north_mps, fit.east_mps) == pytest.approx((north, east), abs=1e-6)


def test_tips_on_a_line_say_nothing() -> None:
    assert fit_circle([1.0, 2.0, 3.0, 4.0], [0.0, 0.0, 0.0, 0.0]) is None


def fly(
    stage: WindStage, velocities: list[tuple[float, float]], start_s: float, rate_hz: float
) -> Wind | None:
    wind = None
    for i, (north, east) in enumerate(velocities):
        t_s = start_s + i / rate_hz
        frame = Frame(t_s, 1 / rate_hz, gnss_vel=(GnssVel(t_s, north, east, None),))
        wind = stage.update(Inputs(frame, has_baro=True, has_pitot=False, has_imu=False, has_gnss=True))
    return wind


class Paper:
    """A computed flight in a steady wind of (3, -5) m/s, with a gyro bias of 0.1 °/s and the given pitot."""

    def __init__(self, *, tas_mps: float = 25.0, read: float = 1.0, latency_s: float = 0.0) -> None:
        self.stage = WindStage(Setup())
        self.t_s = 0.0
        self.heading_rad = 2.0
        self.wind: Wind | None = None
        self._tas_mps, self._read, self._latency_s = tas_mps, read, latency_s
        self._late: list[GnssVel] = []
        self._rng = np.random.default_rng(6)

    def fly(
        self, seconds: float, rate_radps: float = 0.0, *, gyro: bool = True, pitot: bool = True
    ) -> Wind | None:
        for _ in range(round(seconds / 0.02)):
            self.t_s += 0.02
            self.heading_rad += rate_radps * 0.02
            if round(self.t_s / 0.02) % 10 == 0:
                a, b = self._rng.normal(0.0, 0.1, 2)
                north = 3.0 + self._tas_mps * math.cos(self.heading_rad) + a
                east = -5.0 + self._tas_mps * math.sin(self.heading_rad) + b
                self._late.append(GnssVel(self.t_s, north, east, None))
            here = tuple(v for v in self._late if v.t_s <= self.t_s - self._latency_s + 1e-6)
            self._late = self._late[len(here) :]
            frame = Frame(self.t_s, 0.02, gnss_vel=here)
            self.wind = self.stage.update(
                Inputs(frame, has_baro=True, has_pitot=pitot, has_imu=gyro, has_gnss=True),
                Attitude(0.0, 0.0, rate_radps + math.radians(0.1), 1.0) if gyro else None,
                self._tas_mps * self._read if pitot else None,
                1000.0,
            )
        return self.wind

    @property
    def off_mps(self) -> float:
        assert self.wind is not None
        return math.hypot(self.wind.north_mps - 3.0, self.wind.east_mps + 5.0)


def circle(
    turns: float, wind: tuple[float, float], rate_hz: float, way: int = 1
) -> list[tuple[float, float]]:
    rng = np.random.default_rng(4)
    headings = way * np.arange(0, turns * math.tau, math.tau / 24 / rate_hz)  # 24 s a turn
    noise = rng.normal(0, 0.1, (len(headings), 2))
    return [
        (wind[0] + 25 * math.cos(h) + a, wind[1] + 25 * math.sin(h) + b)
        for h, (a, b) in zip(headings, noise, strict=True)
    ]


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("rate_hz", [1.0, 5.0])
def test_wind_within_half_a_metre_after_a_turn_and_a_half(way: int, rate_hz: float) -> None:
    wind = fly(WindStage(Setup()), circle(1.6, (3.0, -5.0), rate_hz, way), 0.0, rate_hz)
    assert wind is not None
    assert math.hypot(wind.north_mps - 3.0, wind.east_mps + 5.0) < 0.5


def test_no_wind_from_straight_flight_or_half_a_turn() -> None:
    straight = [(30.0 + 0.1 * (i % 3), 2.0) for i in range(600)]
    assert fly(WindStage(Setup()), straight, 0.0, 5.0) is None
    assert fly(WindStage(Setup()), circle(0.6, (3.0, -5.0), 5.0), 0.0, 5.0) is None


def test_wind_ages_and_is_forgotten() -> None:
    stage = WindStage(Setup())
    fly(stage, circle(1.6, (3.0, -5.0), 5.0), 0.0, 5.0)
    wind = fly(stage, [(30.0, 0.0)] * 2, 600.0, 1.0)
    assert wind is not None
    assert 500.0 < wind.age_s < 600.0
    assert fly(stage, [(30.0, 0.0)] * 2, 600.0 + FORGET_S, 1.0) is None


# --- with airspeed and turn rate --------------------------------------------------------------------


@pytest.mark.parametrize("way", [1, -1])
def test_one_circle_tells_wind_heading_and_scale(way: int) -> None:
    paper = Paper(read=1.1)
    wind = paper.fly(math.tau / 0.3, way * 0.3)
    assert wind is not None
    assert paper.off_mps < 0.5
    assert paper.off_mps < 3.0 * wind.sigma_mps
    assert wind.heading_rad is not None
    assert math.remainder(wind.heading_rad - paper.heading_rad, math.tau) == pytest.approx(0.0, abs=0.03)
    assert wind.airspeed_scale == pytest.approx(1 / 1.1, abs=0.02)
    paper.fly(2.0 * math.tau / 0.3, way * 0.3)
    assert paper.off_mps < 0.3


def test_a_quarter_turn_between_two_legs_is_enough() -> None:
    paper = Paper()
    assert paper.fly(40.0) is None  # wind, heading and airspeed cannot be distinguished
    paper.fly(0.5 * math.pi / 0.2, 0.2)
    wind = paper.fly(10.0)
    assert wind is not None
    assert paper.off_mps < 2.0 * wind.sigma_mps < 3.0


def test_straight_on_it_grows_less_certain_and_older() -> None:
    paper = Paper()
    circled = paper.fly(45.0, 0.3)
    straight = paper.fly(300.0)
    assert circled is not None
    assert straight is not None
    assert straight.sigma_mps > 1.5 * circled.sigma_mps
    assert straight.age_s > circled.age_s + 60.0
    assert paper.off_mps < 2.0 * straight.sigma_mps


def test_velocities_that_come_late_are_set_against_their_own_time() -> None:
    prompt, late = Paper(), Paper(latency_s=0.4)
    for paper in (prompt, late):
        paper.fly(20.0, 0.4)
        paper.fly(20.0, -0.4)
        assert paper.off_mps < 0.25
        assert paper.wind is not None
        assert paper.wind.heading_rad is not None
        off = math.remainder(paper.wind.heading_rad - paper.heading_rad, math.tau)
        assert off == pytest.approx(0.0, abs=0.03)


def test_sensors_come_and_go() -> None:
    """Gyro lost, airspeed lost, both restored: the wind stays the same, and without gyro there is no
    heading.
    """
    paper = Paper()
    paper.fly(45.0, 0.3)
    for gyro, pitot in ((False, True), (False, False), (True, False), (True, True)):
        wind = paper.fly(45.0, 0.3, gyro=gyro, pitot=pitot)
        assert wind is not None
        assert paper.off_mps < 0.5
        if not gyro:
            assert wind.heading_rad is None
    assert wind is not None
    assert wind.heading_rad is not None
    assert math.remainder(wind.heading_rad - paper.heading_rad, math.tau) == pytest.approx(0.0, abs=0.05)


def test_without_a_gyro_circles_with_airspeed_tell_the_scale() -> None:
    paper = Paper(read=1.1)
    wind = paper.fly(4.0 * math.tau / 0.3, 0.3, gyro=False)
    assert wind is not None
    assert paper.off_mps < 0.3
    assert wind.airspeed_scale == pytest.approx(1 / 1.1, abs=0.01)
    assert wind.heading_rad is None


# --- flights of known truth ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def legs(truth_folder: Path) -> Flight:
    return fly_legs("sgs126", 301, truth_folder)


def _readings(flight: Flight, read: float) -> list[Reading]:
    def sensed() -> list[Sample]:
        samples = flight.samples()
        return [replace(s, impact_pa=s.impact_pa * read**2) if isinstance(s, Pitot) else s for s in samples]

    return list(play(sensed(), Pipeline(Settings(), GLIDERS["sgs126"], NOISE)))


@pytest.mark.long  # the short form is on paper: a quarter turn between two legs
@pytest.mark.parametrize("read", [1.0, 1.1])
def test_wind_after_a_change_of_course(legs: Flight, read: float) -> None:
    """Cruise with one quarter turn in 6 m/s of wind, bumps of 0.3 m/s; nominal sensors, not tuned on."""
    truth = legs.truth
    readings = [r for r in _readings(legs, read) if legs.score_from_s < r.t_s < truth["t_s"][-1]]
    north, east = float(np.mean(truth["air_north_mps"])), float(np.mean(truth["air_east_mps"]))
    winds = [(r.t_s, r.wind) for r in readings if r.wind is not None]
    assert len(winds) == len(readings)
    off = np.array([math.hypot(w.north_mps - north, w.east_mps - east) for _, w in winds])
    t_s = np.array([t for t, _ in winds])
    sigma = np.array([w.sigma_mps for _, w in winds])
    turned_s = legs.score_from_s + LEG_S + TURN_S
    assert off[np.argmax(t_s > turned_s + 3.0)] < 0.5
    assert np.sqrt(np.mean(off**2)) < 0.5
    assert np.mean(off < 2.5 * sigma) > 0.95
    assert np.min(sigma[t_s > turned_s]) < 0.7 * sigma[np.argmax(t_s > turned_s - TURN_S)]
    heading = truth["heading_rad"][np.minimum((t_s * 100).astype(int), len(truth) - 1)]
    wrong = [
        math.remainder(w.heading_rad - h, math.tau)
        for (_, w), h in zip(winds, heading.tolist(), strict=True)
        if w.heading_rad is not None
    ]
    assert len(wrong) == len(winds)
    assert np.degrees(np.sqrt(np.mean(np.square(wrong)))) < 3.0
    last = readings[-1]
    assert last.airspeed_correction == pytest.approx(1.0 / read, abs=0.02)
    errors = [
        r.energy.vario_mps - float(np.interp(r.t_s, truth["t_s"], truth["vario_mps"]))
        for r in readings
        if r.energy.vario_mps is not None
    ]
    assert abs(np.mean(errors)) < 0.1
    assert np.sqrt(np.mean(np.square(errors))) < 0.3


@pytest.mark.long
def test_a_gust_before_the_wind_is_known_makes_no_wind(tmp_path: Path) -> None:
    """On a straight course, long before the first circle, a head wind of 5 m/s lasts for ten seconds. The
    wind is not given, or it is near the truth of the simulation.
    """
    example = load_scenario(Path(__file__).parents[2] / "config" / "scenarios" / "thermal.toml")
    scenario, path = replace(example.scenario, longest_s=60.0), tmp_path / "gust.mcap"
    write_recording(path, scenario, "a gust", example.settings_toml, example.glider_toml)
    source, loaded = opened(path, None)
    true = {
        name: np.array([(s.t_s, s.value) for s in source if isinstance(s, Reference) and s.name == name])
        for name in ("truth_wind_north_mps", "truth_wind_east_mps")
    }
    for reading in ReplaySession(source, loaded.settings, loaded.glider):
        wind = reading.wind
        if wind is None:
            continue
        north, east = (float(np.interp(reading.t_s, *column.T)) for column in true.values())
        assert math.hypot(wind.north_mps - north, wind.east_mps - east) < 4.0 * wind.sigma_mps
