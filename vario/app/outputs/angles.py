"""Statistics of angles, which wrap at 2π: shortest differences, and means as directions.

Source: K. V. Mardia and P. E. Jupp, "Directional Statistics", 2000, ch. 2 (mean direction, resultant
length).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_RESULTANT = 0.1
"""Below this mean resultant length the angles are spread around the circle and have no mean direction. The
value is chosen: a full turn at a constant rate gives 0, one and a half turns give 0.2.
"""


def differences_rad(b: Floats, a: Floats) -> Floats:
    """B − A as the shortest difference, within ±π, shape (n,)."""
    found: Floats = (b - a + math.pi) % math.tau - math.pi
    return found


def difference_rad(b: float, a: float) -> float:
    """The same for one pair."""
    return math.remainder(b - a, math.tau)


def mean_direction_rad(angles: Floats) -> float | None:
    """The mean direction of at least one angle, within ±π; None if there is none."""
    return mean_of_sums_rad(float(np.sum(np.sin(angles))), float(np.sum(np.cos(angles))), angles.size)


def mean_of_sums_rad(sines: float, cosines: float, count: int) -> float | None:
    """The mean direction of `count` angles from the sums of sines and cosines; None if there is none."""
    if math.hypot(sines, cosines) < LEAST_RESULTANT * count:
        return None
    return math.atan2(sines, cosines)
