"""Detect wrong units, axes or times of the inertial data in a foreign file, from gravity and turn rates.

On average over minutes, at rest and in flight alike, an accelerometer shows gravity: 9.8 m/s², along -z in
axes with z down. A glider turns with some 0.3 rad/s in a circle (common practice, no source).
"""

from __future__ import annotations

import math
from statistics import fmean, median

from drivers.isa import G0_MPS2
from drivers.samples import ImuAccel, ImuGyro, Sample

LEAST = 50
"""With fewer samples nothing is reported."""
MOST_KEPT = 4000

GRAVITY_MPS2 = (7.0, 15.0)
"""The median of |f| of a sailplane flight lies between these."""
SCALES = {"g": (0.7, 1.5), "thousandths of g": (700.0, 1500.0)}
REMOVED_MPS2 = 4.0
"""A median of |f| below this, and not in g, is an acceleration without gravity: 2.8 m/s² in a circle at 40
degrees of bank."""

LEVEL_SHARE = 0.7
"""Share of gravity that must lie along -z: the cosine of 45 degrees."""

MOST_TURN_RADPS = 1.5
"""Mean |rate| above that of any glider flight."""

MOST_STEP_S = 1.0
"""Longest sampling interval of an inertial sensor."""


class _Thinned:
    """Collects values evenly over a recording of unknown length, in bounded memory."""

    def __init__(self) -> None:
        self.values: list[tuple[float, ...]] = []
        self._every = 1
        self._count = 0

    def add(self, *values: float) -> None:
        if self._count % self._every == 0:
            self.values.append(values)
            if len(self.values) >= MOST_KEPT:
                self.values = self.values[::2]
                self._every *= 2
        self._count += 1


class InertialSanity:
    """Takes the samples of a recording and reports what is probably wrong with them.

    Args:
        time_cure: what to change if the times are in another unit; `{unit}` and `{parts}` (of a second) are
            filled in.
    """

    def __init__(self, time_cure: str) -> None:
        self._time_cure = time_cure
        self._accel = _Thinned()
        self._gyro = _Thinned()
        self._steps = _Thinned()
        self._last_s: float | None = None

    def take(self, sample: Sample) -> None:
        """One sample, in order of time."""
        if isinstance(sample, ImuAccel):
            self._accel.add(sample.x_mps2, sample.y_mps2, sample.z_mps2)
            if self._last_s is not None:
                self._steps.add(sample.t_s - self._last_s)
            self._last_s = sample.t_s
        elif isinstance(sample, ImuGyro):
            self._gyro.add(sample.x_radps, sample.y_radps, sample.z_radps)

    def warnings(self) -> list[str]:
        """One sentence for each problem: the finding, the expectation, and the correction."""
        return [*self._of_times(), *self._of_accel(), *self._of_gyro()]

    def _of_times(self) -> list[str]:
        if len(self._steps.values) < LEAST:
            return []
        step_s = median(step for (step,) in self._steps.values)
        if step_s <= MOST_STEP_S:
            return []
        unit, parts = ("ms", 1000) if step_s < 1000.0 else ("µs", 1_000_000)
        return [
            f"t_s: the accelerometer delivers every {step_s:.3g} s; expected at most {MOST_STEP_S:g} s. The "
            f"times are probably in {unit}: {self._time_cure.format(unit=unit, parts=parts)}"
        ]

    def _of_accel(self) -> list[str]:
        found = self._accel.values
        if len(found) < LEAST:
            return []
        size = median(math.hypot(*value) for value in found)
        low, high = GRAVITY_MPS2
        if size < low or size > high:
            return [f"imu_accel: the median of its length is {size:.3g} m/s²; expected 9.8. {_unit(size)}"]
        mean = [fmean(column) for column in zip(*found, strict=True)]
        share = math.hypot(*mean) / size
        if share < LEVEL_SHARE or -mean[2] >= LEVEL_SHARE * math.hypot(*mean):
            return []
        return [
            f"imu_accel: on average x, y, z are {mean[0]:.1f}, {mean[1]:.1f}, {mean[2]:.1f} m/s²; expected "
            f"about 0, 0, -9.8 (x forward, y right, z down). {_axes(mean)}"
        ]

    def _of_gyro(self) -> list[str]:
        found = self._gyro.values
        if len(found) < LEAST:
            return []
        size = fmean(math.hypot(*value) for value in found)
        if size <= MOST_TURN_RADPS:
            return []
        return [
            f"imu_gyro: on average the rate is {size:.3g} rad/s; expected below {MOST_TURN_RADPS:g}. It is "
            "probably in °/s: multiply x, y and z by π/180 = 0.0174533"
        ]


def _unit(size: float) -> str:
    for unit, (low, high) in SCALES.items():
        if low < size < high:
            factor = G0_MPS2 if unit == "g" else G0_MPS2 / 1000.0
            return f"It is probably in {unit}: multiply x, y and z by {factor:.6g}"
    if size < REMOVED_MPS2:
        return "Gravity is probably removed: log the acceleration that the sensor measures"
    return f"The scale is probably wrong: multiply x, y and z by {G0_MPS2 / size:.3g} if it was level flight"


def _axes(mean: list[float]) -> str:
    """The probable error of the axes; `mean` is not along -z."""
    axis = max(range(3), key=lambda place: abs(mean[place]))
    if axis == 2:
        return (
            "z is probably up: change the signs of y and z of imu_accel and imu_gyro, or set "
            'mount_roll = "180 deg" in [sensors.imu]'
        )
    name, sign = "xyz"[axis], "-" if mean[axis] < 0.0 else "+"
    return f"Gravity lies along {sign}{name}: exchange the axes of imu_accel and imu_gyro, in the same way"
