"""Circling on simulated flights with known truth: direction of the strongest lift, and continuity of climbs.

Truth: gliders of a general flight-dynamics library in Gaussian thermals and those of a published updraft
model, see truth_thermal.py. No constant was chosen on these seeds. The bounds: 10 degrees RMS where the
circle lies more than 20 m off the core, 0.5 m/s RMS between climb promised and climb achieved.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.circling_bars import direction_errors, expected_and_achieved
from tests.support.truth_air import Wish
from tests.support.truth_gliders import NOISE
from tests.support.truth_thermal import Plan, fly_plan, gaussian
from vario.app.replay.player import play
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings


@pytest.mark.parametrize(
    ("seeds", "flights", "turbulence_mps", "rms_deg", "mean_deg"),
    [
        # The short form, and one in bumpy air. One flight scatters more than three or nine: the bound of the
        # mean is wider by the root of that.
        pytest.param((431,), 1, 0.0, 10.0, 8.7, marks=pytest.mark.long),
        pytest.param((432,), 1, 0.3, 15.0, 15.0, marks=pytest.mark.long),
        pytest.param((431,), 3, 0.0, 10.0, 5.0, marks=pytest.mark.long),
        pytest.param((432, 433, 434), 3, 0.3, 10.0, 5.0, marks=pytest.mark.long),
    ],
)
def test_the_strongest_lift_is_found_within_ten_degrees(
    seeds: tuple[int, ...], flights: int, turbulence_mps: float, rms_deg: float, mean_deg: float
) -> None:
    """In smooth air without a glider file; in turbulent air, where one or two flights scatter, with one."""
    bumpy = turbulence_mps > 0.0
    errors = np.concatenate(
        [direction_errors(s, turbulence_mps, glider_file=bumpy, flights=flights) for s in seeds]
    )
    assert len(errors) > 10 * flights * len(seeds)
    assert float(np.sqrt(np.mean(np.square(errors)))) < rms_deg
    assert abs(float(np.mean(errors))) < mean_deg  # no part of the error lies in one direction of the turn


@pytest.mark.long
def test_the_climb_promised_before_turning_is_the_climb_achieved() -> None:
    """In smooth air, within 0.5 m/s RMS; Gaussian updrafts and those of the published model."""
    shown, achieved = np.array([expected_and_achieved(seed) for seed in range(5201, 5206)]).T
    assert float(np.sqrt(np.mean(np.square(shown - achieved)))) < 0.5
    assert np.ptp(achieved) > 0.5  # thermals differ by more than the bound


@pytest.mark.long  # the short form is on paper, in test_circling
def test_shifting_the_circle_keeps_one_climb() -> None:
    """Level wings for six seconds after about every two turns, in wind, with all errors of the sensors."""

    def options(t: float, _lift: float) -> Wish:
        levelled = t % 50.0 > 44.0
        return Wish(bank_rad=0.0 if levelled or t > 230.0 else 0.62, tas_mps=23.0)

    plan = Plan(
        gaussian(6.0, 400.0),
        wind_mps=(4.0, 5.0),
        duration_s=330.0,
        options=options,
        ahead_m=60.0,
        miss_m=80.0,
    )
    found = fly_plan(plan, "sgs233", 4400)
    pipeline = Pipeline(Settings(), None, NOISE)
    for _ in play(found.flight.samples(), pipeline):
        pass
    climbs = [climb for climb in pipeline.finished_climbs() if climb.end_s > found.begin_s + 60.0]
    assert len(climbs) == 1
    assert climbs[0].end_s - climbs[0].start_s > 170.0
