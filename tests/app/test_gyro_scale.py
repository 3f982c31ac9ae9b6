"""The scale of the gyro: determined from turns with attitudes of SciPy, and applied by the flight logic."""

from __future__ import annotations

import argparse
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from drivers.isa import G0_MPS2
from drivers.samples import ImuAccel, ImuGyro, Sample
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from vario.app.calibrate.command import add_parser
from vario.app.calibrate.turns import Turn, fit_scale, gyro_scale
from vario.app.errors import AppError
from vario.flight.inputs.calibration import CalibrationStage
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.setup import Setup
from vario.settings.load import parse_settings

HZ = 100.0
UPRIGHT = {"x": [0.0, 90.0, 0.0], "y": [90.0, 0.0, 0.0], "z": [0.0, 0.0, 0.0]}
"""Angles about x, y, z that put the box with the named axis up or down."""


class Bench:
    """A box on a table that is turned and put on other sides; its sensors measure rates and gravity."""

    def __init__(
        self, scale: tuple[float, float, float], bias: tuple[float, float, float], noise: float
    ) -> None:
        self.samples: list[Sample] = []
        self._scale, self._bias = np.array(scale), np.array(bias)
        self._noise = noise
        self._random = np.random.default_rng(8)
        self._level_from_box = Rotation.identity()
        self._k = 0

    def to(self, attitude: Rotation, seconds: float) -> None:
        """Along the shortest way, gently begun and ended."""
        self._turn((attitude * self._level_from_box.inv()).as_rotvec(), seconds)

    def turn(self, degrees: float, seconds: float) -> None:
        """About the vertical, by any angle."""
        self._turn(np.array([0.0, 0.0, math.radians(degrees)]), seconds)

    def rest(self, seconds: float) -> None:
        """Lie still."""
        self._turn(np.zeros(3), seconds)

    def _turn(self, way: NDArray[np.float64], seconds: float) -> None:
        steps = round(seconds * HZ)
        share = (1.0 - np.cos(math.pi * (np.arange(steps) + 1) / steps)) / 2.0
        path = Rotation.from_rotvec(share[:, None] * way) * self._level_from_box
        before = Rotation.concatenate([self._level_from_box, path[:-1]])
        self._level_from_box = path[-1]
        rates = (before.inv() * path).as_rotvec() * HZ
        ups = path.inv().apply([0.0, 0.0, G0_MPS2])
        noises = self._noise * self._random.standard_normal((steps, 3))
        for up, rate in zip(ups, rates / self._scale + self._bias + noises, strict=True):
            t_s = 1.0 + self._k / HZ
            self._k += 1
            self.samples.append(ImuAccel(t_s, *up.tolist()))
            self.samples.append(ImuGyro(t_s, *rate.tolist()))


def turned(
    scale: tuple[float, float, float], degrees: float = 360.0, crooked_deg: float = 2.0
) -> list[Sample]:
    bench = Bench(scale, (0.006, -0.004, 0.01), math.radians(0.1))
    crooked = Rotation.from_rotvec(np.radians(crooked_deg) * np.array([0.6, -0.8, 0.3]))
    for side in "zyx":
        bench.to(Rotation.from_euler("xyz", UPRIGHT[side], degrees=True) * crooked, 1.5)
        bench.rest(4.0)
        for way in (1.0, -1.0):
            bench.turn(way * degrees, degrees / 45.0)
            bench.rest(4.0)
    return bench.samples


@pytest.mark.parametrize(("degrees", "crooked_deg"), [(360.0, 0.0), (360.0, 5.0), (90.0, 2.0)])
def test_turns_by_known_angles_give_the_scales_however_crooked_the_box(
    degrees: float, crooked_deg: float
) -> None:
    scale = (1.03, 0.96, 1.01)
    found = gyro_scale(turned(scale, degrees, crooked_deg))
    assert [found.figures["gyro"][f"scale_{axis}"] for axis in "xyz"] == pytest.approx(scale, abs=0.002)
    assert "turn_6" in found.figures


def test_the_scales_found_make_the_flight_logic_turn_by_the_true_angle() -> None:
    scale = (1.03, 0.96, 1.01)
    samples = turned(scale)
    values = gyro_scale(samples).settings["sensors.imu"]
    text = "[sensors.imu]\n" + "".join(f"{key} = {value}\n" for key, value in values.items())
    stage = CalibrationStage(Setup(parse_settings(text, "found").settings))
    gyro = tuple(s for s in samples if isinstance(s, ImuGyro))
    out = stage.update(Inputs(Frame(1.0, 0.02, gyro=gyro), True, True, True, True, True)).frame.gyro
    # The first turn after the rest of 4 s: about z, from 5.5 s on for 8 s.
    rates = np.array([s.z_radps for s in out if 6.5 <= s.t_s < 14.5])
    rest = np.mean([s.z_radps for s in out if 3.0 < s.t_s < 6.0])
    assert math.degrees(float(np.sum(rates - rest)) / HZ) == pytest.approx(360.0, abs=1.0)


@given(
    st.tuples(*[st.floats(0.9, 1.1)] * 3),
    st.lists(st.tuples(*[st.floats(-1.0, 1.0)] * 3), min_size=6, max_size=9),
)
def test_any_turns_about_axes_well_apart_give_the_scales_exactly(
    scale: tuple[float, float, float], axes: list[tuple[float, float, float]]
) -> None:
    every = np.vstack(
        [np.eye(3), np.array([axis for axis in axes if np.linalg.norm(axis) > 0.3]).reshape(-1, 3)]
    )
    turns = [
        Turn(0.0, 1.0, math.pi * axis / np.linalg.norm(axis) / np.array(scale), math.pi) for axis in every
    ]
    found, left = fit_scale(turns)
    assert found == pytest.approx(scale, rel=1e-9)
    assert left < 1e-9


def test_a_side_not_turned_on_is_named_and_a_wrong_angle_refused() -> None:
    samples = turned((1.0, 1.0, 1.0))
    half = [s for s in samples if s.t_s < 40.0]
    with pytest.raises(AppError, match=r"none about x, y; .* put the box on another side"):
        gyro_scale(half)
    with pytest.raises(
        AppError, match=r"measures 1[34]\d\.\d°; expected a whole multiple of 90°; set the step with --step"
    ):
        gyro_scale(turned((1.0, 1.0, 1.0), 135.0))
    assert gyro_scale(turned((1.0, 1.0, 1.0), 135.0), math.radians(135.0)).figures["gyro"]["left_over"] < 0.01


def test_the_command_writes_settings_that_can_be_used(tmp_path: Path) -> None:
    file = tmp_path / "turned.mcap"
    with RecordingWriter(file, RecordingInfo("on the table", "live")) as writer:
        for sample in turned((1.02, 1.0, 0.99)):
            writer.write(sample)
    parser = argparse.ArgumentParser()
    add_parser(parser.add_subparsers())
    config = tmp_path / "my.toml"
    config.write_text("# mine\n", encoding="utf-8")
    words = ["calibrate", "gyro-scale", str(file), "--out", str(tmp_path / "out"), "--apply", str(config)]
    arguments = parser.parse_args(words)
    assert arguments.command(arguments) == 0
    found = tomllib.loads(config.read_text(encoding="utf-8"))["sensors"]["imu"]
    assert found["gyro_scale_x"] == pytest.approx(1.02, abs=0.002)
    arguments = parser.parse_args([*words, "--step", "5 deg"])
    with pytest.raises(AppError, match="expected 30 deg to 360 deg"):
        arguments.command(arguments)
