"""Circling on simulated flights of known truth: direction of the strongest lift, and what keeps a climb.

Truth: gliders of a general flight-dynamics library in Gaussian thermals, see truth_thermal.py. No constant
was chosen on these seeds. The bounds: 10 degrees RMS where the circle lies more than 20 m off the core.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.truth_air import Wish
from tests.truth_thermal import Plan, circle_middles, fly_plan, gaussian, strongest_headings
from vario.app.player import play
from vario.flight.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

NOISE = Noise(baro_pa=1.2, pitot_pa=0.5)


@pytest.mark.parametrize(("seed", "turbulence_mps"), [(431, 0.0), (432, 0.3)])
def test_the_strongest_lift_is_found_within_ten_degrees(seed: int, turbulence_mps: float) -> None:
    rng = np.random.default_rng(seed)
    errors = []
    for flight in range(3):
        wind_mps, wind_rad = rng.uniform(0.0, 8.0), rng.uniform(0.0, math.tau)
        plan = Plan(
            gaussian(rng.uniform(2.5, 4.5), rng.uniform(100.0, 190.0), 0.4),
            offset_m=rng.uniform(25.0, 65.0),
            towards_rad=rng.uniform(0.0, math.tau),
            bank_rad=rng.uniform(0.55, 0.72) * (-1.0 if flight % 2 else 1.0),
            wind_mps=(wind_mps * math.cos(wind_rad), wind_mps * math.sin(wind_rad)),
            turbulence_mps=turbulence_mps,
            duration_s=170.0,
        )
        found = fly_plan(plan, "sgs126" if flight % 2 else "sgs233", 10 * seed + flight)
        shown = []
        for reading in play(found.flight.samples(), Pipeline(Settings(), None, NOISE)):
            late = reading.t_s > found.begin_s + 50.0
            if late and (not shown or reading.t_s - shown[-1][0] >= 4.0) and reading.thermal.circle:
                shown.append((reading.t_s, reading.thermal.circle))
        t_s = np.array([t for t, _ in shown])
        offsets = np.hypot(*circle_middles(found, t_s).T)
        truths = strongest_headings(found, t_s)
        for (_, circle), offset, truth in zip(shown, offsets, truths, strict=True):
            if 20.0 < offset < 150.0 and circle.strongest_rad is not None:
                errors.append(math.degrees(math.remainder(circle.strongest_rad - truth, math.tau)))
    assert len(errors) > 30
    assert float(np.sqrt(np.mean(np.square(errors)))) < 10.0


def test_shifting_the_circle_keeps_one_climb() -> None:
    """Level wings for six seconds after every two turns or so, in wind, with all the sensors' errors."""

    def wishes(t: float, _lift: float) -> Wish:
        levelled = t % 50.0 > 44.0
        return Wish(bank_rad=0.0 if levelled or t > 230.0 else 0.62, tas_mps=23.0)

    plan = Plan(
        gaussian(3.5, 400.0), wind_mps=(4.0, 5.0), duration_s=330.0, wishes=wishes, ahead_m=60.0, miss_m=80.0
    )
    found = fly_plan(plan, "sgs233", 4400)
    pipeline = Pipeline(Settings(), None, NOISE)
    for _ in play(found.flight.samples(), pipeline):
        pass
    climbs = [climb for climb in pipeline.finished_climbs() if climb.end_s > found.begin_s + 60.0]
    assert len(climbs) == 1
    assert climbs[0].end_s - climbs[0].start_s > 170.0
