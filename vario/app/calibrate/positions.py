"""Six positions: bias and scale of the accelerometer, bias of the gyro.

At rest the accelerometer must read the size of gravity, however it lies. Bias and scale of the three axes are
those with which it does in all the positions, so that no position needs to be exact (J. C. Lötters et al.,
Sensors and Actuators A 68, 1998, p. 221).
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from scipy.optimize import least_squares

from drivers.isa import G0_MPS2
from drivers.samples import Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import Floats, Series, collect, needed, resting
from vario.app.errors import AppError

STILL_MPS2 = 0.25
EACH_S = 4.0
MOSTLY = 0.9
"""A position counts for an axis if that axis points up or down to within 25°."""

WORST_MPS2 = 0.05
"""What may be left over; more means a position was not still, or axes that are not square."""


def six_positions(samples: Iterable[Sample], gravity_mps2: float = G0_MPS2) -> Outcome:
    """Bias and scale from one recording in which the sensor lay on each of its six sides.

    Raises:
        AppError: if a side is missing, or what is left over is too large.
    """
    found = collect(samples, "imu_accel", "imu_gyro")
    accel = needed(found, "imu_accel", 6 * EACH_S)
    rests = resting(accel, STILL_MPS2, EACH_S)
    means = np.array([rest.mean for rest in rests]).reshape(-1, 3)
    _must_cover(means)
    bias, scale, left = fitted(means, gravity_mps2)
    if left > WORST_MPS2:
        raise AppError(
            f"imu_accel: positions disagree by {left:.3f} m/s², expected {WORST_MPS2:g} or less: "
            "one was not still, or the sensor lay against something soft"
        )
    settings: dict[str, object] = {}
    figures: dict[str, object] = {"positions": len(rests), "left_over_mps2": left}
    for axis, b, s in zip("xyz", bias, scale, strict=True):
        settings |= {f"accel_bias_{axis}": f"{b:.4f} m/s2", f"accel_scale_{axis}": float(f"{s:.5f}")}
        figures |= {f"accel_bias_{axis}_mps2": float(b), f"accel_scale_{axis}": float(s)}
    gyro = found.get("imu_gyro")
    if gyro is not None:
        turning = _at_rest(gyro, rests)
        for axis, value in zip("xyz", turning, strict=True):
            settings[f"gyro_bias_{axis}"] = f"{math.degrees(value):.4f} deg/s"
            figures[f"gyro_bias_{axis}_radps"] = float(value)
    said = [
        f"{len(rests)} positions at rest; {left:.3f} m/s² are left over.",
        "Accelerometer bias "
        + ", ".join(f"{axis} {value:+.3f}" for axis, value in zip("xyz", bias, strict=True))
        + " m/s², scale "
        + ", ".join(f"{axis} {value:.4f}" for axis, value in zip("xyz", scale, strict=True))
        + ".",
    ]
    return Outcome("six-position", said, {"sensors.imu": settings}, {"imu": figures})


def fitted(means: Floats, gravity_mps2: float) -> tuple[Floats, Floats, float]:
    """Bias, scale (each of x, y, z) and the root mean square of what is left over.

    Args:
        means: readings at rest, shape (n, 3), n ≥ 6.
        gravity_mps2: the size of gravity there.
    """

    def off(unknown: Floats) -> Floats:
        corrected = (means - unknown[:3]) * unknown[3:]
        return np.asarray(np.linalg.norm(corrected, axis=1) - gravity_mps2)

    best = least_squares(off, np.array([0.0, 0.0, 0.0, 1.0, 1.0, 1.0]), method="lm")
    left = float(np.sqrt(np.mean(best.fun**2)))
    return best.x[:3], best.x[3:], left


def _must_cover(means: Floats) -> None:
    sizes = np.linalg.norm(means, axis=1) if len(means) else np.empty(0)
    missing = []
    for index, axis in enumerate("xyz"):
        for sign, word in ((1.0, "up"), (-1.0, "down")):
            if not any(sign * mean[index] > MOSTLY * size for mean, size in zip(means, sizes, strict=True)):
                missing.append(f"{axis} {word}")
    if missing:
        raise AppError(
            f"imu_accel: found {len(means)} positions of {EACH_S:g} s or more at rest; missing: "
            f"{', '.join(missing)}"
        )


def _at_rest(gyro: Series, rests: list[Series]) -> Floats:
    """Mean of the gyro over the stretches at rest."""
    parts = [gyro.between(float(rest.t_s[0]), float(rest.t_s[-1])).values for rest in rests]
    return np.asarray(np.mean(np.concatenate(parts), axis=0))
