"""How the inertial sensor sits in the glider: from two poses, or from one and a ground run.

Two directions that are known in the glider and measured by the sensor fix the rotation between them (TRIAD:
H. D. Black, AIAA Journal 2, 1964, p. 1350). The first is down, with the fuselage level. The second is
forward: either the way down leans when the tail is lifted, or the way the glider is pulled at the start.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np

from drivers.isa import G0_MPS2
from drivers.samples import ImuAccel, Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import Floats, Series, collect, must_rest, needed, resting
from vario.app.errors import AppError
from vario.settings.fitted import ImuSensor

LEAST_S = 5.0
STILL_MPS2 = 0.3
LEAST_TILT_RAD = math.radians(5.0)
"""A smaller tilt leaves the direction open: at 5° an error of 0.02 m/s² is one of 1.3°."""

RUN_MPS2 = 1.0
LEAST_REST_S = 3.0
LEAST_RUN_S = 2.0
WAIT_S = 2.0
"""The run begins within this of the rest: whoever moves the wings in between spoils it."""

BIN_S = 0.5
LONGEST_RUN_S = 5.0
"""Later the glider rolls faster, bumps harder, and what the gyro says has drifted."""
LEAST_AGREEMENT = 0.9


def from_two_poses(level: Iterable[Sample], tail_up: Iterable[Sample]) -> Outcome:
    """Mounting from a recording with the fuselage level and one with the tail lifted, wings level in both.

    Raises:
        AppError: if one is not still, or the tilt between them is too small.
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
    """Mounting from one recording: at rest, wings level, fuselage as in flight, then pulled straight ahead.

    Where the recording holds a gyro, what the glider turns during the run is taken into account.

    Raises:
        AppError: if there is no rest right before a run, or no run straight enough.
    """
    found = collect(samples, "imu_accel", "imu_gyro")
    accel = needed(found, "imu_accel", LEAST_S)
    for stretch in resting(accel, STILL_MPS2, LEAST_REST_S):
        # Its last second: before that a wing may have been lifted, slowly.
        rest = stretch.between(float(stretch.t_s[-1]) - 1.0, math.inf)
        pulls = _pulls(rest, accel, found.get("imu_gyro"))
        if len(pulls) >= LEAST_RUN_S / BIN_S:
            break
    else:
        raise AppError(
            f"no ground run found: {LEAST_REST_S:g} s at rest, then {LEAST_RUN_S:g} s or more pulled ahead "
            f"with {RUN_MPS2:g} m/s²"
        )
    units = np.array([pull / np.linalg.norm(pull) for pull in pulls])
    agreement = float(np.linalg.norm(np.mean(units, axis=0)))
    if agreement < LEAST_AGREEMENT:
        raise AppError(f"the run was not straight: its direction agrees by {agreement:.0%} only")
    down = -rest.mean / np.linalg.norm(rest.mean)
    return _outcome(down, down + np.mean(units, axis=0), f"Pulled ahead for {len(pulls) * BIN_S:g} s.")


def _pulls(rest: Series, accel: Series, gyro: Series | None) -> list[Floats]:
    """What the glider is pulled with after a rest, in its plane then, one value each `BIN_S`."""
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
                # What stands still outside turns the other way, seen by the sensor.
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
    """The accelerometer's samples without the bias and scale that are known already, in its own axes."""
    for sample in samples:
        if isinstance(sample, ImuAccel):
            yield ImuAccel(
                sample.t_s,
                (sample.x_mps2 - imu.accel_bias_x_mps2) * imu.accel_scale_x,
                (sample.y_mps2 - imu.accel_bias_y_mps2) * imu.accel_scale_y,
                (sample.z_mps2 - imu.accel_bias_z_mps2) * imu.accel_scale_z,
            )


def _down(samples: Iterable[Sample]) -> Floats:
    """The direction down in the sensor's axes, length 1: at rest specific force points up."""
    accel = needed(collect(samples, "imu_accel"), "imu_accel", LEAST_S)
    must_rest(accel, STILL_MPS2, "Keep the glider still, nobody in it, out of wind")
    force = accel.mean
    size = float(np.linalg.norm(force))
    if abs(size - G0_MPS2) > 0.15 * G0_MPS2:
        raise AppError(f"imu_accel: {size:.2f} m/s² at rest, expected {G0_MPS2:.2f}: not at rest, or broken")
    return np.asarray(-force / size)


def _outcome(down: Floats, leaning: Floats, said: str) -> Outcome:
    roll, pitch, yaw = angles_rad(down, leaning)
    keys = {"mount_roll": roll, "mount_pitch": pitch, "mount_yaw": yaw}
    shown = ", ".join(f"{name.removeprefix('mount_')} {math.degrees(a):+.2f}°" for name, a in keys.items())
    return Outcome(
        "level",
        [said, f"The sensor sits with {shown}."],
        {"sensors.imu": {name: f"{math.degrees(angle):.3f} deg" for name, angle in keys.items()}},
        {"mount": {f"{name}_rad": angle for name, angle in keys.items()}},
        ["Level is what the fuselage was in the first pose: use the reference of the flight manual."],
    )


def angles_rad(down: Floats, leaning: Floats) -> tuple[float, float, float]:
    """Roll, pitch and yaw of the sensor.

    Args:
        down: direction down in the sensor's axes, length 1.
        leaning: any direction between down and forward, likewise.
    """
    ahead = leaning - (leaning @ down) * down
    x = ahead / np.linalg.norm(ahead)
    y = np.cross(down, x)
    if abs(float(down[0])) > 1.0 - 1e-9:  # it stands on end: roll and yaw turn about the same axis
        return 0.0, -math.copysign(math.pi / 2, float(down[0])), math.atan2(-float(x[1]), float(y[1]))
    # The rows of the matrix that turns sensor axes into the body's are the body's axes, seen by the sensor.
    return (
        math.atan2(float(down[1]), float(down[2])),
        -math.asin(float(np.clip(down[0], -1.0, 1.0))),
        math.atan2(float(y[0]), float(x[0])),
    )
