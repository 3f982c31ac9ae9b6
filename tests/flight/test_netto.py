"""Netto against the motion of the air in flights of the flight-dynamics library, and its second value."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.support.estimator_flights import described, fly
from tests.support.example_polars import CLUB, energy_at
from tests.support.rms import rms
from tests.support.setups import setup
from tests.support.truth_dynamics import RATE_HZ
from tests.support.truth_gliders import GLIDERS, NOISE
from vario.app.replay.player import play
from vario.flight.cruise.airmass import AirmassStage
from vario.flight.cruise.fast_netto import FAST_S, LEARN_S, MOST_MPS
from vario.flight.estimate.result import Diagnostics, Estimate
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

BAR_MPS = 0.15
DT_S = 0.02

Value = Callable[[float], float | None]


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
    pipeline = Pipeline(Settings(), GLIDERS[glider], NOISE)
    readings = [r for r in play(run.samples(), pipeline) if run.score_from_s < r.t_s <= run.truth["t_s"][-1]]
    truth = run.truth[np.round(np.array([r.t_s for r in readings]) * RATE_HZ).astype(np.int64) - 1]
    netto = np.array([math.nan if r.air.netto_mps is None else r.air.netto_mps for r in readings])
    assert np.isfinite(netto).all()
    assert rms(netto - truth["air_up_mps"]) <= BAR_MPS


def _netto(
    stage: AirmassStage, seconds: float, air_up_mps: Value, polar_error_mps: Value = (lambda _: 0.0)
) -> list[float | None]:
    """Netto in still air: the second value, and an error of the polar, both over the time."""
    inputs = Inputs(Frame(1.0, DT_S), has_baro=True, has_pitot=True, has_imu=True, has_gnss=False)
    still, sink_mps, found = energy_at(0.0), CLUB.sink_mps(30.0), []
    for k in range(round(seconds / DT_S)):
        energy = replace(still, vario_mps=(polar_error_mps(k * DT_S) or 0.0) - sink_mps)
        diagnostics = Diagnostics(air_up_mps=air_up_mps(k * DT_S))
        found.append(
            stage.update(inputs, Estimate(None, energy, diagnostics, has_airspeed=True), Mode.CRUISE)
        )
    return [air.netto_mps for air in found]


def _wave(t_s: float) -> float:
    return 0.3 * math.sin(2.0 * math.pi * t_s / 10.0)


def _flap(t_s: float) -> float:
    """A flap is moved every 25 s: at 30 m/s, 2 degrees of incidence are 1 m/s."""
    return 1.0 if (t_s // 25.0) % 2 else 0.0


def _known(values: list[float | None]) -> list[float]:
    known = [value for value in values if value is not None]
    assert len(known) == len(values)
    return known


def test_errors_of_the_polar_in_changes_of_speed_are_removed() -> None:
    """What is left is the slow part: of a sine with ω, the share 1/√(1 + (ωτ)²) of a low pass."""
    netto = _known(_netto(AirmassStage(setup(polar=CLUB)), 300.0, lambda _: 0.0, _wave))
    assert rms(netto[: round(5.0 / DT_S)]) > 0.15  # nothing is learned yet
    slow = 1.0 / math.hypot(1.0, 2.0 * math.pi / 10.0 * FAST_S)
    assert rms(netto[-round(60.0 / DT_S) :]) == pytest.approx(0.3 / math.sqrt(2.0) * slow, abs=0.01)


def test_errors_of_the_inertial_unit_do_not_enter() -> None:
    """Flaps change the incidence, and the polar is right."""
    netto = _known(_netto(AirmassStage(setup(polar=CLUB)), 300.0, _flap))
    assert max(abs(value) for value in netto) < 0.02


def test_flaps_after_errors_of_the_polar_are_learned() -> None:
    """The correction is limited, and after two averaging times it has ended."""
    stage = AirmassStage(setup(polar=CLUB))
    _netto(stage, 300.0, lambda _: 0.0, _wave)
    netto = _known(_netto(stage, 300.0, _flap))
    assert max(abs(value) for value in netto) <= MOST_MPS
    assert max(abs(value) for value in netto[round(2.0 * LEARN_S / DT_S) :]) < 0.1


@pytest.mark.parametrize("air_up_mps", [None, 2.0])
def test_without_a_second_value_netto_is_that_of_the_polar(air_up_mps: float | None) -> None:
    """There is none without an inertial unit; one that differs by more than a polar does is not used."""
    stage = AirmassStage(setup(polar=CLUB))
    _netto(stage, 300.0, lambda _: 0.0, _wave)
    netto = _netto(stage, 10.0, lambda _: air_up_mps, _wave)
    assert netto == pytest.approx([_wave(k * DT_S) for k in range(len(netto))], abs=1e-6)


def test_netto_is_right_after_the_airbrakes_are_closed() -> None:
    """Their sink of 3.5 m/s (CS 22.75 asks for about this) is no error of either value."""
    stage = AirmassStage(setup(polar=CLUB))
    _netto(stage, 300.0, lambda _: 0.0, _wave)
    assert _netto(stage, 30.0, lambda _: 0.0, lambda _: -3.5)[-1] is None
    closed = [value for value in _netto(stage, 10.0, lambda _: 0.0) if value is not None]
    assert len(closed) > 5.0 / DT_S
    assert max(abs(value) for value in closed) < 0.05
