"""A wrongly mounted or read inertial unit is detected in the first turn; recovery after a silence.

The flight comes from the general flight-dynamics library (`estimator_flights`), on a seed on which nothing
was chosen. Half of it is the ordinary flight at the beginning of each scene: straight, and a turn in each
direction from 15 s on.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from drivers.samples import ImuAccel, ImuGyro
from tests.support.estimator_flights import Run, described, fly
from tests.support.truth_gliders import GLIDERS, NOISE
from vario.flight.estimate.estimator import Estimator
from vario.flight.estimate.imu_watch import ImuWatch
from vario.flight.estimate.inertial_model import InertialNoise, Wing
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.result import Estimate
from vario.flight.estimate.stage import estimator_settings
from vario.flight.inputs.frames import Frame, Framer
from vario.flight.inputs.health import HealthStage
from vario.flight.setup import Setup
from vario.settings.schema import Settings

TURN_S, END_S = 15.0, 60.0

Spoil = Callable[[Frame], Frame]


def _axes(accel: np.ndarray, gyro: np.ndarray) -> Spoil:
    """The readings of both sensors, multiplied by a matrix."""

    def spoil(frame: Frame) -> Frame:
        return replace(
            frame,
            accel=tuple(
                ImuAccel(s.t_s, *(accel @ [s.x_mps2, s.y_mps2, s.z_mps2]).tolist()) for s in frame.accel
            ),
            gyro=tuple(
                ImuGyro(s.t_s, *(gyro @ [s.x_radps, s.y_radps, s.z_radps]).tolist()) for s in frame.gyro
            ),
        )

    return spoil


def _yawed(angle_deg: float) -> Spoil:
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    turned = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
    return _axes(turned, turned)


def _shaken(frame: Frame) -> Frame:
    return replace(
        frame,
        accel=tuple(
            ImuAccel(s.t_s, s.x_mps2, s.y_mps2, s.z_mps2 + 6.0 * math.sin(math.tau * 60.0 * s.t_s))
            for s in frame.accel
        ),
    )


WRONG: dict[str, Spoil] = {
    "yawed by 60°": _yawed(60.0),
    "yawed by 90°": _yawed(90.0),
    "yawed by 180°": _yawed(180.0),
    "gyro signs reversed": _axes(np.eye(3), -np.eye(3)),
    "accelerometer signs reversed": _axes(-np.eye(3), np.eye(3)),
    "accelerometer in g": _axes(np.eye(3) / 9.80665, np.eye(3)),
    "gyro in °/s": _axes(np.eye(3), np.eye(3) * math.degrees(1.0)),
    "vibration of 60 Hz": _shaken,
}


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return fly("constant", "sgs233", 7101, tmp_path_factory.mktemp("flights"), described, until_s=END_S + 1.0)


def _estimates(run: Run, spoil: Spoil) -> list[tuple[float, Estimate]]:
    setup = Setup.of(Settings(), GLIDERS["sgs233"], NOISE)
    estimator = Estimator(estimator_settings(setup))
    framer, health = Framer(), HealthStage(setup)
    told = []
    for sample in run.samples():
        if sample.t_s > END_S:
            break
        told += [(f.t_s, estimator.update(health.update(spoil(f)))) for f in framer.push(sample)]
    return told


@pytest.mark.long
def test_a_sound_unit_is_believed(run: Run) -> None:
    assert all(estimate.imu_trusted for _, estimate in _estimates(run, lambda frame: frame))


@pytest.mark.parametrize(
    "fault",
    [pytest.param(name, marks=[] if name == "yawed by 90°" else pytest.mark.long) for name in WRONG],
)
def test_a_wrong_unit_is_found_out(fault: str, run: Run) -> None:
    told = _estimates(run, WRONG[fault])
    doubted_s = next(t_s for t_s, estimate in told if not estimate.imu_trusted)
    assert doubted_s < TURN_S + 15.0
    assert not told[-1][1].imu_trusted
    assert told[-1][1].attitude is None


@pytest.mark.parametrize(
    "gap_s", [pytest.param(0.4, marks=pytest.mark.long), pytest.param(1.0, marks=pytest.mark.long), 1.9]
)
def test_a_silence_in_a_turn_is_outlived(gap_s: float, run: Run) -> None:
    def silent(frame: Frame) -> Frame:
        return replace(frame, accel=(), gyro=()) if 25.0 < frame.t_s < 25.0 + gap_s else frame

    after = [(t_s, e) for t_s, e in _estimates(run, silent) if t_s > 28.0 + gap_s]
    truth = run.truth[[round(t_s * 100.0) - 1 for t_s, _ in after]]["vario_mps"]
    shown = np.array([estimate.energy.vario_mps for _, estimate in after])
    assert np.max(np.abs(shown - truth)[:200]) < 1.0
    assert all(estimate.imu_trusted for _, estimate in after)


def test_the_attitude_stays_while_velocities_confirm_it(run: Run) -> None:
    """A vibration in the second turn; in the first one the unit has agreed with velocities over ground."""

    def shaken_later(frame: Frame) -> Frame:
        return _shaken(frame) if frame.t_s > 44.0 else frame

    doubted = [(t_s, e.attitude) for t_s, e in _estimates(run, shaken_later) if not e.imu_trusted]
    assert doubted[0][0] < 47.0
    shown = [(t_s, attitude.bank_rad) for t_s, attitude in doubted if attitude is not None]
    assert [t_s for t_s, _ in shown] == [t_s for t_s, _ in doubted[: len(shown)]]
    assert 50 < len(shown) < len(doubted)  # the filter rejects the velocities after some seconds
    bank_rad = run.truth[[round(t_s * 100.0) - 1 for t_s, _ in shown]]["bank_rad"]
    assert np.max(np.abs(np.array([bank for _, bank in shown]) - bank_rad)) < math.radians(3.0)


def test_a_correction_without_a_pressure_reading_accepts_no_height() -> None:
    # A barometer of 10 Hz: the filter is corrected between its readings, and has no innovation of the height.
    filter_ = InertialState(Wing.loaded(), InertialNoise())
    filter_.ground.known = True
    filter_.nis["height"] = 7.0
    watch = ImuWatch()
    for _ in range(10):
        watch.plausible(filter_, 0.0, 0.0, 0.5)
    assert filter_.height_m == 0.0
    assert watch.trusted


def test_one_episode_counts_once() -> None:
    filter_ = InertialState(Wing.loaded(), InertialNoise())
    watch = ImuWatch()
    for _ in range(50):
        watch.reject(own_fault=True)
    for _ in range(21):
        watch.plausible(filter_, 0.0, None, 1.0)
    assert watch.trusted
    watch.reject(own_fault=True)
    for _ in range(39):
        watch.plausible(filter_, 0.0, None, 1.0)
    assert not watch.trusted


def test_a_doubt_lasts_while_nothing_can_be_compared() -> None:
    # Without a sound barometer and without velocities over ground that fit, no reading agrees with the unit.
    filter_ = InertialState(Wing.loaded(), InertialNoise())
    watch = ImuWatch()
    watch.reject(own_fault=True)
    filter_.ground.known = True
    filter_.nis |= {"north": 3.0, "east": 3.0}
    for _ in range(100):
        watch.plausible(filter_, None, None, 1.0)
    assert not watch.trusted
    filter_.nis |= {"north": 1.0, "east": 1.0}
    for _ in range(21):
        watch.plausible(filter_, None, None, 1.0)
    assert watch.trusted
