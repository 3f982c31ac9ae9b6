"""Netto against the motion of the air in flights of the flight-dynamics library, and its second value."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.support.estimator_flights import described, fly
from tests.support.example_polars import CLUB, energy_at
from tests.support.rms import rms
from tests.support.setups import setup
from tests.support.truth_dynamics import RATE_HZ
from tests.support.truth_gliders import GLIDERS
from vario.app.replay.player import play
from vario.flight.cruise.airmass import SECOND_MPS, AirmassStage
from vario.flight.estimate.result import Diagnostics, Estimate
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.energy import Noise
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

BAR_MPS = 0.15
DT_S = 0.02


@pytest.mark.parametrize(
    ("scene", "glider", "until_s"),
    [
        ("pull_ups", "sgs233", 125.0),
        pytest.param("pull_ups", "sgs233", math.inf, marks=pytest.mark.long),
        pytest.param("pull_ups", "sgs126", math.inf, marks=pytest.mark.long),
        pytest.param("constant", "sgs233", math.inf, marks=pytest.mark.long),
        pytest.param("streets", "sgs233", math.inf, marks=pytest.mark.long),
    ],
)
def test_netto_is_the_motion_of_the_air(scene: str, glider: str, until_s: float, truth_folder: Path) -> None:
    """The air is set by the test; the library computes the drag. In pull-ups netto was 0.21 m/s off."""
    run = fly(scene, glider, 203, truth_folder, described, until_s=until_s)
    pipeline = Pipeline(Settings(), GLIDERS[glider], Noise(baro_pa=1.2, pitot_pa=0.5))
    readings = [r for r in play(run.samples(), pipeline) if run.score_from_s < r.t_s <= run.truth["t_s"][-1]]
    truth = run.truth[np.round(np.array([r.t_s for r in readings]) * RATE_HZ).astype(np.int64) - 1]
    netto = np.array([math.nan if r.air.netto_mps is None else r.air.netto_mps for r in readings])
    assert np.isfinite(netto).all()
    assert rms(netto - truth["air_up_mps"]) <= BAR_MPS


def _netto(
    stage: AirmassStage, seconds: float, air_up_mps: float | None, vario_mps: float = 0.0
) -> list[float | None]:
    """Netto of steady flight with this vario, from the polar and this second value."""
    inputs = Inputs(Frame(1.0, DT_S), has_baro=True, has_pitot=True, has_imu=True, has_gnss=False)
    energy = replace(energy_at(0.0), vario_mps=vario_mps)
    estimate = Estimate(None, energy, Diagnostics(air_up_mps=air_up_mps), has_airspeed=True)
    return [stage.update(inputs, estimate, Mode.CRUISE).netto_mps for _ in range(round(seconds / DT_S))]


@pytest.mark.parametrize("step_mps", [0.2, -0.2, 1.0, -1.0, 3.0])
def test_a_lasting_difference_is_an_error_of_the_second_value(step_mps: float) -> None:
    """A flap changes the incidence: netto is off by the limit at most, and returns to the polar's value."""
    sink_mps = CLUB.sink_mps(30.0)
    stage = AirmassStage(setup(polar=CLUB))
    assert _netto(stage, 20.0, sink_mps)[-1] == pytest.approx(sink_mps)
    netto = [value for value in _netto(stage, 60.0, sink_mps + step_mps) if value is not None]
    follows = 0.0 if abs(step_mps) > 1.5 else math.copysign(min(abs(step_mps), SECOND_MPS), step_mps)
    assert netto[0] - sink_mps == pytest.approx(follows, abs=0.01)
    assert max(abs(value - sink_mps) for value in netto) <= SECOND_MPS
    # first-order low pass: after four time constants e⁻⁴ of the step is left
    assert netto[-1] - sink_mps == pytest.approx(follows * math.exp(-4.0), abs=1e-3)


def test_without_a_second_value_netto_is_that_of_the_polar() -> None:
    sink_mps = CLUB.sink_mps(30.0)
    stage = AirmassStage(setup(polar=CLUB))
    _netto(stage, 5.0, sink_mps - 0.2)
    assert _netto(stage, 1.0, None) == pytest.approx([sink_mps] * 50)
    assert _netto(stage, DT_S, sink_mps + 0.2) == pytest.approx([sink_mps])  # begins without a step


def test_netto_is_right_after_the_airbrakes_are_closed() -> None:
    """Their sink of 3.5 m/s (CS 22.75 asks for about this) is no error of either value."""
    sink_mps = CLUB.sink_mps(30.0)
    stage = AirmassStage(setup(polar=CLUB))
    _netto(stage, 5.0, sink_mps)
    assert _netto(stage, 30.0, 0.0, vario_mps=-3.5 - sink_mps)[-1] is None
    closed = _netto(stage, 10.0, sink_mps)
    assert closed[-1] == pytest.approx(sink_mps)
    assert {value for value in closed if value is not None} == {closed[-1]}
