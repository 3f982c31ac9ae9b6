"""Inertial data of a foreign file in wrong units or axes: the report and the correction.

The specific force at rest is 9.80665 m/s² upwards (standard gravity, ISO 80000-3), so -9.8 along a z axis
that points down.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from hw_replay.long_csv import HEADER, LongCsv

Vector = tuple[float, float, float]
G = 9.80665


def rows(
    accel: Callable[[Vector], Vector], gyro: Callable[[Vector], Vector], seconds_per_unit: float = 1.0
) -> list[str]:
    """A minute at rest and two of circling at 40 degrees of bank, 24 s a turn, with noise, 50 Hz."""
    draw = np.random.default_rng(11)
    found = []
    for i in range(9000):
        t_s = i / 50
        force, rate = (0.0, 0.0, -G), (0.0, 0.0, 0.0)
        if t_s > 60.0:
            bank, turn = math.radians(40.0), math.tau / 24.0
            force = (0.0, 0.0, -G / math.cos(bank))
            rate = (0.0, turn * math.sin(bank), turn * math.cos(bank))
        force = accel(tuple(np.array(force) + draw.normal(0.0, 0.3, 3)))
        rate = gyro(tuple(np.array(rate) + draw.normal(0.0, 0.02, 3)))
        time = f"{t_s / seconds_per_unit:.6f}"
        found.append(f"{time},imu_accel," + ",".join(f"{value:.6f}" for value in force))
        found.append(f"{time},imu_gyro," + ",".join(f"{value:.6f}" for value in rate))
    return found


def said(path: Path, lines: list[str]) -> list[str]:
    path.write_text("\n".join([HEADER, *lines, ""]))
    source = LongCsv(path)
    for _ in source:
        pass
    return source.warnings()


def same(v: Vector) -> Vector:
    return v


def times(factor: float) -> Callable[[Vector], Vector]:
    return lambda v: (v[0] * factor, v[1] * factor, v[2] * factor)


def test_right_data_pass_without_a_word(tmp_path: Path) -> None:
    assert said(tmp_path / "a.csv", rows(same, same)) == []


@pytest.mark.parametrize(
    ("accel", "gyro", "words"),
    [
        (times(1 / G), same, ("imu_accel", "probably in g", "9.80665")),
        (lambda v: (v[0], v[1], v[2] + G), same, ("imu_accel", "Gravity is probably removed")),
        (
            lambda v: (v[0], -v[1], -v[2]),
            lambda v: (v[0], -v[1], -v[2]),
            ("z is probably up", "signs", "mount_roll"),
        ),
        (lambda v: (v[2], v[1], -v[0]), lambda v: (v[2], v[1], -v[0]), ("Gravity lies along -x",)),
        (times(2.5), same, ("imu_accel", "scale is probably wrong")),
        (same, times(180 / math.pi), ("imu_gyro", "°/s", "0.0174533")),
    ],
    ids=["g", "no gravity", "z up", "x down", "scale", "degrees"],
)
def test_faults_of_the_inertial_sensor_are_reported_with_their_remedy(
    tmp_path: Path,
    accel: Callable[[Vector], Vector],
    gyro: Callable[[Vector], Vector],
    words: tuple[str, ...],
) -> None:
    (sentence,) = said(tmp_path / "a.csv", rows(accel, gyro))
    for word in words:
        assert word in sentence


def test_times_in_milliseconds_are_told(tmp_path: Path) -> None:
    (sentence,) = said(tmp_path / "a.csv", rows(same, same, seconds_per_unit=0.001))
    assert "t_s" in sentence
    assert "divide the column t_s by 1000" in sentence


def test_a_short_file_is_not_judged(tmp_path: Path) -> None:
    assert said(tmp_path / "a.csv", rows(times(1 / G), same)[:60]) == []
