"""Root mean square."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def rms(values: ArrayLike) -> float:
    """Root mean square of all values."""
    return float(np.sqrt(np.mean(np.square(values))))
