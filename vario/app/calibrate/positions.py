"""Six positions: bias and scale of the accelerometer, bias of the gyro.

At rest the magnitude of the specific force must equal gravity in every position. Bias and scale of the three
axes are fitted so that this holds for all positions. Therefore no position needs to be exact (J. C. Lötters
et al., Sensors and Actuators A 68, 1998, p. 221).
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from scipy.optimize import least_squares

from drivers.isa import G0_MPS2
from drivers.samples import Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import ChannelSeries, Floats, collect, needed, resting
from vario.app.errors import AppError

STILL_MPS2 = 0.25
EACH_S = 4.0
MOSTLY = 0.9
"""A position counts for an axis if that axis points up or down within 26° (cosine 0.9)."""

WORST_MPS2 = 0.05
"""Largest residual; more means that the sensor moved, or that its axes are not orthogonal."""


def six_positions(samples: Iterable[Sample], gravity_mps2: float = G0_MPS2) -> Outcome:
    """Find bias and scale from one recording in which the sensor lies on each of its six sides.

    Args:
        samples: of the recording.
        gravity_mps2: local gravity.

    Raises:
        AppError: if a side is missing, or the residual is too large.
    """
    found = collect(samples, "imu_accel", "imu_gyro")
    accel = needed(found, "imu_accel", 6 * EACH_S)
    rests = resting(accel, STILL_MPS2, EACH_S)
    means = np.array([rest.mean for rest in rests]).reshape(-1, 3)
    _must_cover(means)
    bias, scale, left = fit_bias_and_scale(means, gravity_mps2)
    if left > WORST_MPS2:
        raise AppError(
            f"imu_accel: the residual of the positions is {left:.3f} m/s²; expected {WORST_MPS2:g} m/s² or "
            "less: the sensor moved, or it lay on something soft"
        )
    settings: dict[str, object] = {}
    figures: dict[str, object] = {"positions": len(rests), "left_over_mps2": left}
    for axis, b, s in zip("xyz", bias, scale, strict=True):
        settings |= {f"accel_bias_{axis}": f"{b:.4f} m/s2", f"accel_scale_{axis}": float(f"{s:.5f}")}
        figures |= {f"accel_bias_{axis}_mps2": float(b), f"accel_scale_{axis}": float(s)}
    gyro = found.get("imu_gyro")
    turning = _at_rest(gyro, rests) if gyro is not None else np.empty((0, 3))
    if len(turning):
        for axis, value in zip("xyz", np.mean(turning, axis=0), strict=True):
            settings[f"gyro_bias_{axis}"] = f"{math.degrees(value):.4f} deg/s"
            figures[f"gyro_bias_{axis}_radps"] = float(value)
    said = [
        f"{len(rests)} positions at rest; the residual is {left:.3f} m/s².",
        "Accelerometer bias "
        + ", ".join(f"{axis} {value:+.3f}" for axis, value in zip("xyz", bias, strict=True))
        + " m/s², scale "
        + ", ".join(f"{axis} {value:.4f}" for axis, value in zip("xyz", scale, strict=True))
        + ".",
    ]
    return Outcome("six-position", said, {"sensors.imu": settings}, {"imu": figures})


def fit_bias_and_scale(means: Floats, gravity_mps2: float) -> tuple[Floats, Floats, float]:
    """Fit bias, m/s², shape (3,), and scale, shape (3,); the third value is the RMS residual, m/s².

    Args:
        means: mean readings at rest, m/s², shape (n, 3), n ≥ 6.
        gravity_mps2: local gravity.
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
            f"imu_accel: positions of {EACH_S:g} s or more at rest: found {len(means)}; expected all six "
            f"sides; missing: {', '.join(missing)}"
        )


def _at_rest(gyro: ChannelSeries, rests: list[ChannelSeries]) -> Floats:
    """The readings of the gyro in the intervals at rest, rad/s, shape (n, 3)."""
    return np.concatenate([gyro.between(float(r.t_s[0]), float(r.t_s[-1])).values for r in rests])
