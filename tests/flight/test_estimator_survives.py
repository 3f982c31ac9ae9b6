"""Robustness of the attitude: a launch, twenty minutes of circling, a steep turn, a stall, fast rolls.

Turns and launch are computed by mechanics (`mechanical_turn`). The other flights come from a general
flight-dynamics library, on a seed on which no constant was chosen. Ten seconds without airspeed, and starts
in a circle and on the ground, are in `test_estimator`. The bounds are the project's own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from drivers import isa
from drivers.samples import Baro, ImuAccel, ImuGyro, Pitot, Sample
from tests.support.mechanical_turn import GLIDER, KT, Turn, raised, readings
from tests.support.truth_dynamics import RATE_HZ
from tests.support.truth_flight import fly
from tests.support.truth_gliders import GLIDERS, NOISE
from vario.app.replay.player import play
from vario.flight.core.polar import QuadraticPolar
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

G, T = 9.80665, 0.02


@pytest.mark.long  # the short form is the thermal in test_estimator
@pytest.mark.parametrize("flown_s", [240.0, 1260.0])
def test_twenty_minutes_of_circling_are_as_good_as_two(flown_s: float) -> None:
    flown = Turn(50.0 * KT, math.radians(40.0), flown_s)
    told = [(r.t_s, r.attitude) for r in readings(flown.samples())]
    t_s, bank_deg = np.array([(t, math.degrees(a.bank_rad)) for t, a in told if a is not None]).T
    off = bank_deg[t_s > 90.0] - 40.0
    # The scene keeps the density it began with while the glider sinks by 1500 m: a wing that is 15 % off.
    assert np.max(np.abs(off)) < 4.0
    assert np.sqrt(np.mean(off**2)) < 1.5
    assert np.sqrt(np.mean(off[-3000:] ** 2)) < 1.5


class Tow:
    """A computed flight in still air: rest, ground run, aerotow, release, glide.

    The rope pulls along the path, so the lift is that of free flight.
    """

    ROLL_S, LIFT_S, RELEASE_S, END_S = 20.0, 33.0, 120.0, 170.0
    SPEED_MPS, CLIMB_MPS = 30.0, 3.0

    def __init__(self) -> None:
        self.polar = QuadraticPolar.of(GLIDER)

    def speed(self, t: float) -> float:
        return self.SPEED_MPS * _smooth((t - self.ROLL_S) / 15.0)

    def path(self, t: float) -> float:
        up = self.CLIMB_MPS / self.SPEED_MPS * _smooth((t - self.LIFT_S) / 6.0)
        down = -self.polar.sink_mps(self.SPEED_MPS) / self.SPEED_MPS
        return up + (down - up) * _smooth((t - self.RELEASE_S) / 4.0)

    def pitch(self, t: float) -> float:
        """On the wheel the fuselage is level; in flight the wing is at the angle that carries the load."""
        loading = GLIDER.reference_mass_kg / GLIDER.wing_area_m2 * G
        density = isa.density_kgpm3(isa.pressure_pa(500.0), isa.temperature_k(500.0))
        alpha = 2.0 * loading / (density * Turn.LIFT_SLOPE_PER_RAD * max(self.speed(t), 20.0) ** 2)
        flying = _smooth((t - self.LIFT_S + 3.0) / 3.0)
        return self.path(t) + flying * alpha

    def samples(self) -> Iterator[Sample]:
        height_m = 500.0
        rng = np.random.default_rng(14)
        for i in range(round(self.END_S / T)):
            t = (i + 0.5) * T
            n = rng.standard_normal(8) * [1.2, 0.5, *[0.02] * 3, *[0.002] * 3]
            v, path = self.speed(t), self.path(t)
            faster = (self.speed(t + 0.01) - self.speed(t - 0.01)) / 0.02
            curving = (self.path(t + 0.01) - self.path(t - 0.01)) / 0.02
            along = np.array([faster + G * math.sin(path), 0.0, -(v * curving + G * math.cos(path))])
            force = raised(along, self.pitch(t) - path)
            rate = (self.pitch(t + 0.01) - self.pitch(t - 0.01)) / 0.02
            height_m += v * math.sin(path) * T
            static_pa, air_k = isa.pressure_pa(height_m), isa.temperature_k(height_m)
            t_s = i * T + T - 1e-4
            yield ImuAccel(t_s, *(force + n[2:5]).tolist())
            yield ImuGyro(t_s, *(np.array([0.0, rate, 0.0]) + n[5:]).tolist())
            yield Baro(t_s, static_pa + n[0])
            yield Pitot(t_s, isa.impact_of_tas_pa(v, static_pa, air_k) + n[1])


def _smooth(share: float) -> float:
    share = min(1.0, max(0.0, share))
    return 0.5 - 0.5 * math.cos(math.pi * share)


@pytest.mark.long
def test_a_launch_leaves_the_attitude_standing() -> None:
    tow = Tow()
    told = [(r.t_s, r.attitude) for r in readings(tow.samples())]
    rows = [(t, a.pitch_rad, a.bank_rad) for t, a in told if a is not None]
    t_s, pitch, bank = np.array(rows).T
    error = np.degrees(pitch - np.array([tow.pitch(t) for t in t_s.tolist()]))
    rest, launch, free = t_s < tow.ROLL_S, (t_s > tow.ROLL_S) & (t_s < tow.RELEASE_S), t_s > 140.0
    assert np.max(np.abs(error[rest & (t_s > 10.0)])) < 0.3
    assert np.max(np.abs(error[launch])) < 4.0
    assert np.max(np.abs(error[free])) < 1.5
    assert np.max(np.abs(np.degrees(bank[t_s > 10.0]))) < 4.0


PHASES = {
    # Seconds of the scene, then the largest error of pitch and of bank, degrees.
    "60 degree turn": (5.0, 30.0, 3.0, 4.0),
    "stall and recovery": (45.0, 80.0, 3.0, 4.0),
    "fast rolls": (80.0, 100.0, 3.0, 4.0),
    "afterwards": (110.0, 140.0, 1.5, 3.0),
}


@pytest.fixture(scope="module")
def rough(truth_folder: Path) -> np.ndarray:
    """Seconds of the scene, error of pitch and bank in degrees, true bank and incidence; shape (n, 5)."""
    flight = fly("rough_handling", "sgs233", 511, truth_folder)
    pipeline = Pipeline(Settings(), GLIDERS["sgs233"], NOISE)
    told = [(r.t_s, r.attitude) for r in play(flight.samples(), pipeline)]
    rows = np.array([(t, a.pitch_rad, a.bank_rad) for t, a in told if a is not None])
    at = np.round(rows[:, 0] * RATE_HZ).astype(np.int64) - 1
    rows, at = rows[at < len(flight.truth)], at[at < len(flight.truth)]
    pitch, _ = flight.instrument_attitude()
    truth = flight.truth[at]
    bank_off = np.degrees(np.remainder(rows[:, 2] - truth["bank_rad"] + math.pi, math.tau) - math.pi)
    return np.stack(
        [
            rows[:, 0] - flight.score_from_s,
            np.degrees(rows[:, 1] - pitch[at]),
            bank_off,
            np.degrees(truth["bank_rad"]),
            np.degrees(truth["alpha_rad"]),
        ],
        axis=1,
    )


@pytest.mark.long  # the short forms are turns and pull-ups in test_estimator
@pytest.mark.parametrize("phase", PHASES)
def test_rough_handling_is_survived(phase: str, rough: np.ndarray) -> None:
    begin, end, pitch_deg, bank_deg = PHASES[phase]
    part = rough[(rough[:, 0] > begin) & (rough[:, 0] < end)]
    assert np.max(np.abs(part[:, 1])) < pitch_deg
    assert np.max(np.abs(part[:, 2])) < bank_deg


@pytest.mark.long
def test_the_rough_scene_is_rough(rough: np.ndarray) -> None:
    assert np.max(np.abs(rough[(rough[:, 0] > 5.0) & (rough[:, 0] < 30.0), 3])) > 57.0
    assert np.max(rough[(rough[:, 0] > 45.0) & (rough[:, 0] < 80.0), 4]) > 12.0  # beyond most wings' stall
