"""Round to a fixed grid, so that every processor computes the same sound.

Powers, logarithms and sines may differ between processors in their last bit. A phase or a sample at the
boundary between two integers would then differ audibly in theory, and in the bytes in practice. After
rounding to a grid that is much coarser than this bit and much finer than a sample, the rest is sums and
products, which IEEE 754 defines exactly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_PER_UNIT = 2.0**20
"""Grid points per unit: 1 µHz of pitch; of a level, a sixteenth of the step of a 16-bit sample."""


def on_grid(value: float) -> float:
    """The nearest grid point."""
    return round(value * _PER_UNIT) / _PER_UNIT


def soft_edge(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """The integral of a Hann window: from 0 to 1 with continuous slope and curvature. Not on the grid.

    Args:
        share: place on the edge, 0 to 1, any shape.
    """
    return np.asarray(share - np.sin(2 * np.pi * share) / (2 * np.pi))


def all_on_grid(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The nearest grid points, in the same shape."""
    return np.rint(values * _PER_UNIT) / _PER_UNIT
