"""Make inertial steps from inertial samples: pairs, lever arm, and a check for a frozen unit."""

from __future__ import annotations

import math

from drivers.samples import ImuAccel, ImuGyro
from vario.flight.core.low_pass import LowPass
from vario.flight.core.vectors import Vector
from vario.flight.inputs.frames import Frame

SHAKE_S = 2.0
FROZEN_S = 0.5  # even in a quiet sensor the last digit changes within half a second


class ImuSteps:
    """Reads the inertial samples of a frame.

    Args:
        lever_m: the unit's place relative to the centre of gravity, body axes.
    """

    def __init__(self, lever_m: Vector) -> None:
        self._lever_m = lever_m
        self._last: tuple[ImuGyro, ImuAccel] | None = None
        self._same_s = 0.0
        self._rate_last: Vector = (0.0, 0.0, 0.0)
        self._shake = LowPass(SHAKE_S, 0.0)
        self.shake_mps2 = 0.0

    def read(self, frame: Frame, dt_s: float) -> list[tuple[Vector, Vector, float]]:
        """Mean specific force and rate of each pair of samples, and its share of the frame.

        At 100 Hz this is one inertial step per frame.
        """
        gyro, accel = frame.gyro, frame.accel
        count = min(len(gyro), len(accel))
        if count == 0 or dt_s > 0.25 * count:
            return []
        last = (gyro[-1], accel[-1])
        same = self._last is not None and _same(self._last, last)
        self._same_s = self._same_s + dt_s if same else 0.0
        forces = [_force(sample) for sample in accel]
        self._shaken(forces, dt_s)
        self._last = last
        if self._same_s > FROZEN_S:
            return []
        pairs = []
        for start in range(0, count, 2):
            end = min(start + 2, count)
            rate = _mean(_rate(gyro[start]), _rate(gyro[end - 1]))
            force = _mean(forces[start], forces[end - 1])
            share = (end - start) / count
            pairs.append((self._at_centre(force, rate, dt_s * share), rate, share))
        return pairs

    def _shaken(self, forces: list[Vector], dt_s: float) -> None:
        """Update the difference of consecutive samples: it shows vibration, not the motion of the glider."""
        before = _force(self._last[1]) if self._last is not None else forces[0]
        total = 0.0
        for now in forces:
            x, y, z = now
            total += math.sqrt((x - before[0]) ** 2 + (y - before[1]) ** 2 + (z - before[2]) ** 2)
            before = now
        self.shake_mps2 = self._shake.follow(total / len(forces), dt_s)

    def _at_centre(self, force: Vector, rate: Vector, step_s: float) -> Vector:
        """Specific force at the centre of gravity: less ω̇ × r + ω × (ω × r)."""
        x, y, z = self._lever_m
        if x == y == z == 0.0:
            return force
        p, q, r = rate
        p1, q1, r1 = ((new - old) / step_s for new, old in zip(rate, self._rate_last, strict=True))
        self._rate_last = rate
        dot = p * x + q * y + r * z
        square = p * p + q * q + r * r
        return (
            force[0] - (q1 * z - r1 * y) - (p * dot - x * square),
            force[1] - (r1 * x - p1 * z) - (q * dot - y * square),
            force[2] - (p1 * y - q1 * x) - (r * dot - z * square),
        )


def _rate(sample: ImuGyro) -> Vector:
    return (sample.x_radps, sample.y_radps, sample.z_radps)


def _force(sample: ImuAccel) -> Vector:
    return (sample.x_mps2, sample.y_mps2, sample.z_mps2)


def _mean(first: Vector, second: Vector) -> Vector:
    (a, b, c), (x, y, z) = first, second
    return (0.5 * (a + x), 0.5 * (b + y), 0.5 * (c + z))


def _same(old: tuple[ImuGyro, ImuAccel], new: tuple[ImuGyro, ImuAccel]) -> bool:
    """Whether two readings are equal to the last digit. In a working sensor this does not last."""
    (gyro, accel), (gyro_now, accel_now) = old, new
    if gyro.x_radps != gyro_now.x_radps:  # nearly always
        return False
    return _rate(gyro) == _rate(gyro_now) and _force(accel) == _force(accel_now)
