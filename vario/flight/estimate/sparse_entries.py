"""Write the time-varying entries of an otherwise constant matrix."""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray


class SparseEntries:
    """Writes numbers to fixed positions of a matrix.

    They are packed as bytes first, because NumPy takes three times as long to make an array from a list.

    Args:
        places: the positions, counted row by row, in the order of the numbers.
    """

    def __init__(self, places: NDArray[np.intp]) -> None:
        self._places = places
        self._values = np.empty(len(places))
        self._pack = struct.Struct(f"{len(places)}d").pack_into

    def put(self, matrix: NDArray[np.float64], values: list[float]) -> None:
        """Write one number to each position."""
        self._pack(self._values.data, 0, *values)
        matrix.put(self._places, self._values)
