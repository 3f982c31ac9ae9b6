"""A matrix most of which stays, and the few numbers in it that change with every correction."""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray


class Fill:
    """Writes numbers to the same places of a matrix again and again.

    They are packed as bytes first: NumPy takes three times as long to make an array of a list.

    Args:
        matrix: what is written to.
        places: where, counted row by row, in the order of the numbers.
    """

    def __init__(self, matrix: NDArray[np.float64], places: NDArray[np.intp]) -> None:
        self._flat = matrix.reshape(-1)
        self._places = places
        self._values = np.empty(len(places))
        self._packed = self._values.data
        self._pack = struct.Struct(f"{len(places)}d").pack_into

    def put(self, values: list[float]) -> None:
        """Write one number to each place."""
        self._pack(self._packed, 0, *values)
        self._flat[self._places] = self._values
