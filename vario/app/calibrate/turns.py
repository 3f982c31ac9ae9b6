"""Scale of the gyro, from turning the box through known angles.

Procedure: the box lies on a table against a straight edge. It is turned by whole quarter turns, with a rest
before and after each turn. This is repeated on two other sides of the box.

The axis of such a turn is constant in the axes of the box, so the integrated rates form a vector along that
axis. The length of the vector is the angle turned, also when the box is not aligned with the axis. The scales
of the three axes are fitted by least squares so that this holds for every turn. The method is the same as
that of six positions for gravity (J. C. Lötters et al., Sensors and Actuators A 68, 1998, p. 221).

The accelerometer distinguishes such a turn from a change to another side: in a turn on the table, the
direction of gravity in the box does not change.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from drivers.samples import Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import ChannelSeries, Floats, collect, needed, resting
from vario.app.errors import AppError

STILL_RADPS = math.radians(1.0)
REST_S = 2.0
LEAST_STEP_RAD = math.radians(30.0)
"""With smaller steps, a scale error of a few per cent would make the number of steps ambiguous."""

LONGEST_TURN_S = 60.0
"""A bias that changes by 0.005 deg/s causes an error of 0.3° in this time: 0.3 % of a quarter turn."""

MOSTLY = 0.8
"""A turn counts for a sensor axis if the axis of the turn is within 37° of it (cosine 0.8)."""

MOST_OFF = 0.1
"""Largest scale error accepted, as a fraction of the angle; real gyros have smaller errors."""

MOST_OF_STEP = 0.4
"""Largest difference from a whole number of steps, as a fraction of a step; more would be ambiguous."""

UPRIGHT_RAD = math.radians(6.0)
"""In a turn on the table, gravity stays within this angle of its former direction and of the turn axis."""

WORST_LEFT = 0.01
"""Largest residual, as a fraction of the angle; more means that the box was tilted during a turn."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One turn.

    Attributes:
        from_s: end of the rest before the turn.
        to_s: start of the rest after the turn.
        measured_rad: integrated rates about the sensor axes, with the bias removed, shape (3,).
        angle_rad: true angle, a whole number of steps.
    """

    from_s: float
    to_s: float
    measured_rad: Floats
    angle_rad: float


def gyro_scale(samples: Iterable[Sample], step_rad: float = math.pi / 2) -> Outcome:
    """Find the scales from one recording with turns about each axis.

    Args:
        samples: of the recording.
        step_rad: the angle of every turn is a whole multiple of this step.

    Raises:
        AppError: if there is no turn about an axis, or the residual is too large.
    """
    found = collect(samples, "imu_gyro", "imu_accel")
    gyro, accel = needed(found, "imu_gyro", 3 * REST_S), needed(found, "imu_accel", 3 * REST_S)
    turns = _turns(gyro, accel, step_rad)
    _must_cover(turns)
    scale, left = fit_scale(turns)
    if left > WORST_LEFT:
        raise AppError(
            f"imu_gyro: the residual of the turns is {left:.1%}; expected {WORST_LEFT:.0%} or less: turn the "
            f"box flat on the table, from edge to edge, by whole steps of {math.degrees(step_rad):g}°"
        )
    scales = dict(zip("xyz", (float(value) for value in scale), strict=True))
    return Outcome(
        "gyro-scale",
        [
            f"{len(turns)} turns of {_degrees(turns)}; the residual is {left:.2%}.",
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
        ["An error of the angle causes the same relative error of the scale: 1° in 360° is 0.3 %."],
    )


def fit_scale(turns: list[Turn]) -> tuple[Floats, float]:
    """Fit the scales of x, y and z, shape (3,), and the RMS residual as a fraction of the angle.

    Args:
        turns: about at least three axes that do not lie in one plane.

    Raises:
        AppError: if no scales fit the turns.
    """
    # |scale · measured| = angle, divided by the angle: linear in the squares of the scales.
    matrix = np.array([(turn.measured_rad / turn.angle_rad) ** 2 for turn in turns])
    squares, *_ = np.linalg.lstsq(matrix, np.ones(len(turns)), rcond=None)
    if np.any(squares <= 0.0):
        raise AppError("imu_gyro: no scales fit these turns; expected turns by whole steps about three axes")
    left = np.sqrt(matrix @ squares) - 1.0
    return np.sqrt(squares), float(np.sqrt(np.mean(left**2)))


def _turns(gyro: ChannelSeries, accel: ChannelSeries, step_rad: float) -> list[Turn]:
    """The turns on the table between consecutive rests."""
    rests = resting(gyro, STILL_RADPS, REST_S)
    usual = np.median([rest.mean for rest in rests], axis=0) if rests else np.zeros(3)
    # A constant rotation also looks like a rest, but with a different mean rate.
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
            continue  # the box moved, but did not turn
        if not _along(up[0].mean, up[1].mean) or not _along(up[0].mean, measured):
            continue  # the box was put on another side
        if abs(size - angle) > min(MOST_OFF * angle, MOST_OF_STEP * step_rad):
            raise AppError(
                f"imu_gyro: the turn from {begin_s:.0f} to {end_s:.0f} s measures {math.degrees(size):.1f}°; "
                f"expected a whole multiple of {math.degrees(step_rad):g}°; set the step with --step"
            )
        turns.append(Turn(begin_s, end_s, measured, angle))
    return turns


def _along(one: Floats, other: Floats) -> bool:
    """Whether two vectors are parallel or antiparallel within `UPRIGHT_RAD`."""
    cosine = abs(float(one @ other)) / float(np.linalg.norm(one) * np.linalg.norm(other))
    return cosine > math.cos(UPRIGHT_RAD)


def _must_cover(turns: list[Turn]) -> None:
    shares = [np.abs(turn.measured_rad) / np.linalg.norm(turn.measured_rad) for turn in turns]
    missing = [axis for i, axis in enumerate("xyz") if not any(share[i] > MOSTLY for share in shares)]
    if missing:
        axes = ", ".join(missing)
        raise AppError(
            f"imu_gyro: turns between rests of {REST_S:g} s: found {len(turns)}, none about {axes}; "
            "expected a turn about each axis: put the box on another side and turn it there"
        )


def _degrees(turns: list[Turn]) -> str:
    return ", ".join(f"{math.degrees(angle):g}°" for angle in sorted({turn.angle_rad for turn in turns}))
