"""The simple counter of turns on a computed flight, and the instrument compared with it.

The targets: at least 95 % of the climbs of two turns or more are found, and false circling occurs at most
once an hour. `bench_circling` measures the same on any recording. How long a turn takes: the published turn
table of A. and L. Welch and F. Irving, The Complete Soaring Pilot's Handbook (50 s at 15 degrees of bank, 14
s at 50).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import pytest

from drivers import isa
from drivers.samples import Baro, GnssPos, GnssVel, Sample
from tests.support.plain_turns import PlainTurns, judge
from tests.support.samples_of import of
from vario.app.replay.player import play
from vario.flight.motion.energy import Noise
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

METRES_A_DEGREE = math.radians(1.0) * 6.371e6
PERIODS_S = (50.0, 30.0, 21.0, 14.0)
TURNS = 4.0


def flight(legs: list[tuple[float, float, float]], wind: tuple[float, float]) -> Iterator[Sample]:
    """Legs of seconds, rate of turn (rad/s) and climb (m/s), flown at 26 m/s, a reading of each kind a
    second."""
    rng = np.random.default_rng(11)
    t_s = north = east = heading = 0.0
    height = 1200.0
    for seconds, rate, climb in legs:
        for _ in range(round(seconds)):
            t_s += 1.0
            heading += rate
            v_north, v_east = wind[0] + 26.0 * math.cos(heading), wind[1] + 26.0 * math.sin(heading)
            north, east, height = north + v_north, east + v_east, height + climb
            off = rng.normal(0.0, 1.0, 2)
            yield Baro(t_s, isa.pressure_pa(height) + rng.normal(0.0, 1.5))
            yield GnssPos(
                t_s + 0.01, (north + off[0]) / METRES_A_DEGREE, (east + off[1]) / METRES_A_DEGREE, height
            )
            yield GnssVel(t_s + 0.01, *(np.array([v_north, v_east]) + rng.normal(0.0, 0.1, 2)).tolist(), None)


def climbs_between_glides(periods_s: Sequence[float] = PERIODS_S) -> list[tuple[float, float, float]]:
    """A climb at each bank of the table, either way, and between them what a cruise has of turns."""
    legs = [(120.0, 0.0, -1.0)]
    for k, period in enumerate(periods_s):
        way = -1.0 if k % 2 else 1.0
        legs += [(TURNS * period, way * math.tau / period, 1.5), (90.0, 0.0, -1.0)]
        legs += [(8.0, way * math.radians(11.0), -1.0), (40.0, 0.0, -1.0)]  # a quarter turn
        legs += [(7.0, s * math.radians(12.0), -1.0) for s in (1.0, -1.0, 1.0, -1.0)]  # weaving
        legs += [(60.0, math.radians(2.0), -1.0)]
    return legs


def test_the_counter_counts_what_was_flown() -> None:
    runs = PlainTurns(of(GnssPos, flight(climbs_between_glides(), (0.0, 0.0)))).runs()
    climbs = [run for run in runs if run.turns >= 2.0]
    assert [round(run.turns) for run in climbs] == [TURNS] * len(PERIODS_S)
    assert [run.turned_rad > 0.0 for run in climbs] == [k % 2 == 0 for k in range(len(PERIODS_S))]
    for run, period in zip(climbs, PERIODS_S, strict=True):
        assert run.gain_m == pytest.approx(1.5 * TURNS * period, abs=25.0)
    assert all(run.turns < 0.5 for run in runs if run not in climbs)


def test_the_judge_knows_bad_instruments() -> None:
    samples = list(flight(climbs_between_glides(), (0.0, 0.0)))
    plain = PlainTurns(of(GnssPos, samples))
    t_s = [s.t_s for s in of(GnssPos, samples)]
    silent = judge(plain, [(t, False) for t in t_s])
    assert (silent.climbs, silent.found, silent.false) == (len(PERIODS_S), 0, 0)
    nervous = judge(plain, [(t, t % 60.0 < 20.0) for t in t_s])
    assert nervous.found < 0.95 * nervous.climbs
    assert nervous.false_per_hour > 10.0


@pytest.mark.parametrize(
    ("wind", "periods_s"),
    [
        ((0.0, 0.0), (30.0, 14.0)),
        pytest.param((0.0, 0.0), PERIODS_S, marks=pytest.mark.long),
        pytest.param((-4.0, 5.0), PERIODS_S, marks=pytest.mark.long),
    ],
)
def test_climbs_are_found_and_turns_in_cruise_are_not(
    wind: tuple[float, float], periods_s: tuple[float, ...]
) -> None:
    samples = list(flight(climbs_between_glides(periods_s), wind))
    pipeline = Pipeline(Settings(), None, Noise(baro_pa=1.5, pitot_pa=0.5))
    told = [(r.t_s, r.mode is Mode.CIRCLING) for r in play(samples, pipeline)]
    verdict = judge(PlainTurns(of(GnssPos, samples)), told)
    assert verdict.climbs == len(periods_s)
    assert verdict.found >= 0.95 * verdict.climbs
    assert verdict.false_per_hour <= 1.0
