"""Mounting angles of the inertial sensor, from two poses, or from one pose and a ground run.

Two directions that are known in the glider and measured by the sensor determine the rotation between the two
frames (TRIAD: H. D. Black, AIAA Journal 2, 1964, p. 1350). The first direction is down, with the fuselage
level. The second is forward. It follows from the change of the direction down when the tail is lifted, or
from the acceleration at the start of a launch.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np

from drivers.isa import G0_MPS2
from drivers.samples import ImuAccel, Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import ChannelSeries, Floats, collect, must_rest, needed, resting
from vario.app.errors import AppError
from vario.settings.hardware import ImuSensor

LEAST_S = 5.0
STILL_MPS2 = 0.3
LEAST_TILT_RAD = math.radians(5.0)
"""A smaller tilt determines the direction badly: at 5°, an error of 0.02 m/s² turns it by 1.3°."""

RUN_MPS2 = 1.0
LEAST_REST_S = 3.0
LEAST_RUN_S = 2.0
WAIT_S = 2.0
"""The run must begin within this time after the rest: a wing moved in between changes the attitude."""

BIN_S = 0.5
LONGEST_RUN_S = 5.0
"""Later in the run the glider is faster, the bumps are stronger, and the integrated gyro has drifted."""
LEAST_AGREEMENT = 0.9


def from_two_poses(level: Iterable[Sample], tail_up: Iterable[Sample]) -> Outcome:
    """Mounting angles from a recording with the fuselage level and one with the tail lifted.

    The wings must be level in both.

    Raises:
        AppError: if the sensor moves in one of them, or the tilt between them is too small.
    """
    down = _down(level)
    leaning = _down(tail_up)
    tilt_rad = math.acos(float(np.clip(down @ leaning, -1.0, 1.0)))
    if tilt_rad < LEAST_TILT_RAD:
        raise AppError(
            f"the two poses differ by {math.degrees(tilt_rad):.1f}°; expected "
            f"{math.degrees(LEAST_TILT_RAD):g}° or more: lift the tail higher"
        )
    return _outcome(down, leaning, f"The tail was {math.degrees(tilt_rad):.1f}° higher in the second pose.")


def from_ground_run(samples: Iterable[Sample]) -> Outcome:
    """Mounting angles from one recording of a rest and the ground run after it.

    During the rest the wings are level and the fuselage is as in flight. Then the glider is pulled straight
    ahead. If the recording contains gyro samples, the rotation during the run is taken into account.

    Raises:
        AppError: if there is no rest directly before a run, or the run is not straight.
    """
    found = collect(samples, "imu_accel", "imu_gyro")
    accel = needed(found, "imu_accel", LEAST_S)
    for stretch in resting(accel, STILL_MPS2, LEAST_REST_S):
        # Only the last second is used, because a wing may have been lifted slowly before it.
        rest = stretch.between(float(stretch.t_s[-1]) - 1.0, math.inf)
        pulls = _pulls(rest, accel, found.get("imu_gyro"))
        if len(pulls) >= LEAST_RUN_S / BIN_S:
            break
    else:
        raise AppError(
            f"no ground run found; expected {LEAST_REST_S:g} s at rest, then {LEAST_RUN_S:g} s or more with "
            f"a forward acceleration of {RUN_MPS2:g} m/s² or more"
        )
    units = np.array([pull / np.linalg.norm(pull) for pull in pulls])
    agreement = float(np.linalg.norm(np.mean(units, axis=0)))
    if agreement < LEAST_AGREEMENT:
        raise AppError(
            f"the ground run was not straight: its directions agree by {agreement:.0%}; "
            f"expected {LEAST_AGREEMENT:.0%} or more"
        )
    down = -rest.mean / np.linalg.norm(rest.mean)
    return _outcome(down, down + np.mean(units, axis=0), f"Pulled ahead for {len(pulls) * BIN_S:g} s.")


def _pulls(rest: ChannelSeries, accel: ChannelSeries, gyro: ChannelSeries | None) -> list[Floats]:
    """Horizontal acceleration after a rest, in sensor axes, m/s², shape (3,), one value each `BIN_S`."""
    size = float(np.linalg.norm(rest.mean))
    down = -rest.mean / size
    still = np.zeros(3) if gyro is None else gyro.between(float(rest.t_s[0]), float(rest.t_s[-1])).mean
    begin_s = float(rest.t_s[-1])
    pulls: list[Floats] = []
    for index in range(round((WAIT_S + LONGEST_RUN_S) / BIN_S)):
        part = accel.between(begin_s + index * BIN_S, begin_s + (index + 1) * BIN_S)
        if not len(part.t_s):
            break
        if gyro is not None:
            turning = gyro.between(begin_s + index * BIN_S, begin_s + (index + 1) * BIN_S)
            if len(turning.t_s):
                # A direction that is fixed outside rotates the opposite way in sensor axes.
                down = down - np.cross(turning.mean - still, down) * BIN_S
                down /= np.linalg.norm(down)
        pull = part.mean + size * down
        ahead = pull - (pull @ down) * down
        if np.linalg.norm(ahead) > RUN_MPS2:
            pulls.append(ahead)
        elif pulls or index * BIN_S > WAIT_S:
            break
    return pulls


def corrected(samples: Iterable[Sample], imu: ImuSensor) -> Iterator[Sample]:
    """Accelerometer samples in sensor axes, corrected with the bias and scale of the settings."""
    for sample in samples:
        if isinstance(sample, ImuAccel):
            yield ImuAccel(
                sample.t_s,
                (sample.x_mps2 - imu.accel_bias_x_mps2) * imu.accel_scale_x,
                (sample.y_mps2 - imu.accel_bias_y_mps2) * imu.accel_scale_y,
                (sample.z_mps2 - imu.accel_bias_z_mps2) * imu.accel_scale_z,
            )


def _down(samples: Iterable[Sample]) -> Floats:
    """The direction down in sensor axes, length 1. At rest the specific force points up."""
    accel = needed(collect(samples, "imu_accel"), "imu_accel", LEAST_S)
    must_rest(accel, STILL_MPS2, "Keep the glider still, nobody in it, out of wind")
    force = accel.mean
    size = float(np.linalg.norm(force))
    if abs(size - G0_MPS2) > 0.15 * G0_MPS2:
        raise AppError(
            f"imu_accel: {size:.2f} m/s² at rest, expected {G0_MPS2:.2f}: "
            "the sensor is not at rest, or it is broken"
        )
    return np.asarray(-force / size)


def _outcome(down: Floats, leaning: Floats, said: str) -> Outcome:
    roll, pitch, yaw = angles_rad(down, leaning)
    keys = {"mount_roll": roll, "mount_pitch": pitch, "mount_yaw": yaw}
    shown = ", ".join(f"{name.removeprefix('mount_')} {math.degrees(a):+.2f}°" for name, a in keys.items())
    return Outcome(
        "level",
        [said, f"Mounting angles of the sensor: {shown}."],
        {"sensors.imu": {name: f"{math.degrees(angle):.3f} deg" for name, angle in keys.items()}},
        {"mount": {f"{name}_rad": angle for name, angle in keys.items()}},
        [
            "The attitude of the fuselage in the first pose becomes zero pitch and roll: level it with the "
            "reference of the flight manual."
        ],
    )


def angles_rad(down: Floats, leaning: Floats) -> tuple[float, float, float]:
    """Roll, pitch and yaw of the sensor in the glider, rad.

    Args:
        down: direction down in sensor axes, length 1, shape (3,).
        leaning: any direction between down and forward in sensor axes, shape (3,).
    """
    ahead = leaning - (leaning @ down) * down
    x = ahead / np.linalg.norm(ahead)
    y = np.cross(down, x)
    if abs(float(down[0])) > 1.0 - 1e-9:  # pitch is ±90°: roll and yaw turn about the same axis
        return 0.0, -math.copysign(math.pi / 2, float(down[0])), math.atan2(-float(x[1]), float(y[1]))
    # The rows of the rotation matrix body_from_sensor are the body axes in sensor coordinates.
    return (
        math.atan2(float(down[1]), float(down[2])),
        -math.asin(float(np.clip(down[0], -1.0, 1.0))),
        math.atan2(float(y[0]), float(x[0])),
    )
