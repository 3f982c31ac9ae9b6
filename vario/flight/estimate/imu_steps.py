"""From inertial samples to inertial steps: pairs, lever arm, and the check that the unit is alive."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.samples import ImuAccel, ImuGyro
from vario.flight.estimate.inertial_model import Vector
from vario.flight.frames import Frame

FROZEN_S = 0.5  # even a quiet sensor's last digit moves in half a second


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

    def read(self, frame: Frame, dt_s: float) -> list[tuple[Vector, Vector, float]]:
        """Mean specific force and rate of pairs of samples, and the pair's share of the frame.

        At 100 Hz that is one inertial step per frame.
        """
        gyro, accel = frame.gyro, frame.accel
        count = min(len(gyro), len(accel))
        if count == 0 or dt_s > 0.25 * count:
            return []
        last = (gyro[-1], accel[-1])
        same = self._last is not None and _same(self._last, last)
        self._same_s = self._same_s + dt_s if same else 0.0
        self._last = last
        if self._same_s > FROZEN_S:
            return []
        pairs = []
        for start in range(0, count, 2):
            g, a = gyro[start : min(start + 2, count)], accel[start : min(start + 2, count)]
            rate = _mean([(s.x_radps, s.y_radps, s.z_radps) for s in g])
            force = _mean([(s.x_mps2, s.y_mps2, s.z_mps2) for s in a])
            share = (min(start + 2, count) - start) / count
            pairs.append((self._at_centre(force, rate, dt_s * share), rate, share))
        return pairs

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


def _mean(vectors: Sequence[Vector]) -> Vector:
    if len(vectors) == 1:
        return vectors[0]
    (a, b, c), (x, y, z) = vectors
    return (0.5 * (a + x), 0.5 * (b + y), 0.5 * (c + z))


def _same(old: tuple[ImuGyro, ImuAccel], new: tuple[ImuGyro, ImuAccel]) -> bool:
    """Whether two readings are equal to the last digit, which a live sensor's are not for long."""
    g, a = old
    h, b = new
    return (g.x_radps, g.y_radps, g.z_radps, a.x_mps2, a.y_mps2, a.z_mps2) == (
        *(h.x_radps, h.y_radps, h.z_radps),
        *(b.x_mps2, b.y_mps2, b.z_mps2),
    )
