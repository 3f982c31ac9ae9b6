"""Scale of the gyro, from turning the box through known angles.

On a table, against an edge, the box is turned by whole quarter turns between rests, so that it lies as it did
before or at a right angle to that; then the same on two other sides. The axis of such a turn stands still in
the box, so the rates add up to the angle along that axis. However crooked the box lies, the length of that
sum is the angle turned: the scales of the three axes are those with which it is for every turn, by least
squares. That is what six positions do with gravity (J. C. Lötters et al., Sensors and Actuators A 68, 1998,
p. 221).

The accelerometer tells such a turn from the box being put on another side: gravity stays where it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from drivers.samples import Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import Floats, Series, collect, needed, resting
from vario.app.errors import AppError

STILL_RADPS = math.radians(1.0)
REST_S = 2.0
LEAST_STEP_RAD = math.radians(30.0)
"""Smaller ones could be told apart no more with a scale unknown by a few per cent."""

LONGEST_TURN_S = 60.0
"""A bias that moves by 0.005 deg/s in this time makes 0.3°: half a per cent of a quarter turn."""

MOSTLY = 0.8
"""A turn counts for an axis if its own axis is within 37° of it."""

MOST_OFF = 0.1
"""Of the angle. No gyro is further off, ..."""

MOST_OF_STEP = 0.4
"""... and beyond this it would be a guess which step it was."""

UPRIGHT_RAD = math.radians(6.0)
"""A turn on the table leaves gravity within this of where it was, and of its axis."""

WORST_LEFT = 0.01
"""What may be left over, of the angle; more means that the box was tilted while it was turned."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One turn.

    Attributes:
        from_s: the rest before it ends.
        to_s: the rest after it begins.
        measured_rad: sum of the rates about the sensor's axes, without bias, shape (3,).
        angle_rad: what it was, a whole number of steps.
    """

    from_s: float
    to_s: float
    measured_rad: Floats
    angle_rad: float


def gyro_scale(samples: Iterable[Sample], step_rad: float = math.pi / 2) -> Outcome:
    """The scales from one recording with turns about each axis.

    Args:
        samples: of the recording.
        step_rad: every turn is a whole number of these.

    Raises:
        AppError: if an axis was not turned about, or what is left over is too large.
    """
    found = collect(samples, "imu_gyro", "imu_accel")
    gyro, accel = needed(found, "imu_gyro", 3 * REST_S), needed(found, "imu_accel", 3 * REST_S)
    turns = _turns(gyro, accel, step_rad)
    _must_cover(turns)
    scale, left = fitted(turns)
    if left > WORST_LEFT:
        raise AppError(
            f"imu_gyro: the turns disagree by {left:.1%}, expected {WORST_LEFT:.0%} or less: turn the box "
            f"flat on the table, from edge to edge, by whole steps of {math.degrees(step_rad):g}°"
        )
    scales = dict(zip("xyz", (float(value) for value in scale), strict=True))
    return Outcome(
        "gyro-scale",
        [
            f"{len(turns)} turns, of {_degrees(turns)}; {left:.2%} are left over.",
            "Gyro scale " + ", ".join(f"{axis} {value:.4f}" for axis, value in scales.items()) + ".",
        ],
        {"sensors.imu": {f"gyro_scale_{axis}": float(f"{value:.5f}") for axis, value in scales.items()}},
        {
            "gyro": {**{f"scale_{axis}": value for axis, value in scales.items()}, "left_over": left},
            **{
                f"turn_{number}": {"from_s": turn.from_s, "to_s": turn.to_s, "angle_rad": turn.angle_rad}
                for number, turn in enumerate(turns, start=1)
            },
        },
        ["A scale is worth as much as the right angle of the edge: 1° in 360° is 0.3 %."],
    )


def fitted(turns: list[Turn]) -> tuple[Floats, float]:
    """Scale of x, y and z, and the root mean square of what is left over, as a fraction of the angle.

    Args:
        turns: about at least three axes that do not lie in one plane.

    Raises:
        AppError: if no scales fit them.
    """
    # |scale · measured| = angle, divided by the angle: linear in the squares of the scales.
    matrix = np.array([(turn.measured_rad / turn.angle_rad) ** 2 for turn in turns])
    squares, *_ = np.linalg.lstsq(matrix, np.ones(len(turns)), rcond=None)
    if np.any(squares <= 0.0):
        raise AppError("imu_gyro: no scales fit these turns: they were not the angles they are taken for")
    left = np.sqrt(matrix @ squares) - 1.0
    return np.sqrt(squares), float(np.sqrt(np.mean(left**2)))


def _turns(gyro: Series, accel: Series, step_rad: float) -> list[Turn]:
    """What lies between neighbouring rests, where it is a turn on the table."""
    rests = resting(gyro, STILL_RADPS, REST_S)
    usual = np.median([rest.mean for rest in rests], axis=0) if rests else np.zeros(3)
    # A turntable turns as steadily as a box rests.
    rests = [rest for rest in rests if float(np.max(np.abs(rest.mean - usual))) < STILL_RADPS]
    turns = []
    for before, after in pairwise(rests):
        begin_s, end_s = float(before.t_s[-1]), float(after.t_s[0])
        if end_s - begin_s > LONGEST_TURN_S:
            continue
        bias = (before.mean + after.mean) / 2.0
        moving = gyro.between(begin_s, end_s + 1e-9)
        rates = moving.values - bias
        steps = np.diff(moving.t_s)[:, np.newaxis]
        measured = np.sum((rates[1:] + rates[:-1]) / 2.0 * steps, axis=0)
        size = float(np.linalg.norm(measured))
        angle = round(size / step_rad) * step_rad
        up = [accel.between(float(rest.t_s[0]), float(rest.t_s[-1])) for rest in (before, after)]
        if not angle or not all(len(part.t_s) for part in up):
            continue  # it was nudged, no more
        if not _along(up[0].mean, up[1].mean) or not _along(up[0].mean, measured):
            continue  # it was put on another side
        if abs(size - angle) > min(MOST_OFF * angle, MOST_OF_STEP * step_rad):
            raise AppError(
                f"imu_gyro: the turn from {begin_s:.0f} to {end_s:.0f} s reads {math.degrees(size):.1f}°, no "
                f"whole number of {math.degrees(step_rad):g}°; name the angle with --step"
            )
        turns.append(Turn(begin_s, end_s, measured, angle))
    return turns


def _along(one: Floats, other: Floats) -> bool:
    """Whether two directions lie on one line, near enough; of gravity or of a turn, either way round."""
    cosine = abs(float(one @ other)) / float(np.linalg.norm(one) * np.linalg.norm(other))
    return cosine > math.cos(UPRIGHT_RAD)


def _must_cover(turns: list[Turn]) -> None:
    shares = [np.abs(turn.measured_rad) / np.linalg.norm(turn.measured_rad) for turn in turns]
    missing = [axis for i, axis in enumerate("xyz") if not any(share[i] > MOSTLY for share in shares)]
    if missing:
        axes = ", ".join(missing)
        raise AppError(
            f"imu_gyro: found {len(turns)} turns between rests of {REST_S:g} s; none about {axes}: "
            "put the box on another side and turn it there too"
        )


def _degrees(turns: list[Turn]) -> str:
    return ", ".join(f"{math.degrees(angle):g}°" for angle in sorted({turn.angle_rad for turn in turns}))
